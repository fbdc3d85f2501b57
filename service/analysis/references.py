"""The bibliography: every source the service cites, once.

A citation key is the first author and the year, ``tanaka_2001``. Everywhere else a source is written as its key, or as
text that may hold keys; `citation` and `cited_keys` read both.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

_KEY = re.compile(r"\b[a-z]+(?:_[a-z]+)*_(?:19|20)\d\d\b")


@dataclass(frozen=True, slots=True)
class Reference:
    """One source.

    Attributes
    ----------
    key : str
        First author and year.
    text : str
        The citation as printed in a report.
    doi : str, optional
        Only where it was verified.
    trust : str
        How the project came by what it takes from this source.
    """

    key: str
    text: str
    doi: str | None = None
    trust: str = ""

    def as_dict(self) -> dict[str, str | None]:
        """JSON form."""
        return {"key": self.key, "text": self.text, "doi": self.doi, "trust": self.trust}


_SEEN = "read in a published text"
_ABSTRACT = "read in the abstract"
_MEMORY = "value from memory"
_MIXED = "in part read in a published text, in part from memory; each use says which"

_ALL: tuple[Reference, ...] = (
    # Gas volumes, energy, metabolic equations.
    Reference("wagner_2002", "Wagner W, Pruss A. The IAPWS formulation 1995 for the thermodynamic properties of ordinary water substance. J Phys Chem Ref Data 2002;31:387-535.", "10.1063/1.1461829", _MIXED),
    Reference("consolazio_1963", "Consolazio CF, Johnson RE, Pecora LJ. Physiological Measurements of Metabolic Functions in Man. McGraw-Hill 1963.", None, "formulas as in common textbook use; the book itself from memory"),
    Reference("weir_1949", "Weir JB de V. New methods for calculating metabolic rate with special reference to protein metabolism. J Physiol 1949;109:1-9.", None, _MIXED),
    Reference("lusk_1928", "Lusk G. The Elements of the Science of Nutrition, 4th ed. Saunders 1928 (table of Zuntz and Schumburg, modified).", None, _MEMORY),
    Reference("frayn_1983", "Frayn KN. Calculation of substrate oxidation rates in vivo from gaseous exchange. J Appl Physiol 1983;55:628-634.", None, _SEEN),
    Reference("peronnet_1991", "Peronnet F, Massicotte D. Table of nonprotein respiratory quotient: an update. Can J Sport Sci 1991;16:23-29.", None, _MEMORY),
    Reference("jeukendrup_2005", "Jeukendrup AE, Wallis GA. Measurement of substrate oxidation during exercise by means of gas exchange measurements. Int J Sports Med 2005;26(S1):S28-S37.", None, _MEMORY),
    Reference("brockway_1987", "Brockway JM. Derivation of formulae used to calculate energy expenditure in man. Hum Nutr Clin Nutr 1987;41:463-471.", None, _MEMORY),
    Reference("gaesser_1975", "Gaesser GA, Brooks GA. Muscular efficiency during steady-rate exercise: effects of speed and work rate. J Appl Physiol 1975;38:1132-1139.", None, _MEMORY),
    Reference("achten_2002", "Achten J, Gleeson M, Jeukendrup AE. Determination of the exercise intensity that elicits maximal fat oxidation. Med Sci Sports Exerc 2002;34:92-97.", None, _MEMORY),
    Reference("garcia_tabar_2015", "Garcia-Tabar I, Eclache JP, Aramendi JF, Gorostiaga EM. Gas analyzer's drift leads to systematic error in maximal oxygen uptake and maximal respiratory exchange ratio determination. Front Physiol 2015;6:308.", "10.3389/fphys.2015.00308", _ABSTRACT),
    Reference("miller_2005", "Miller MR, Hankinson J, Brusasco V, et al. Standardisation of spirometry. Eur Respir J 2005;26:319-338.", None, _SEEN),
    Reference("acsm_2021", "American College of Sports Medicine. ACSM's Guidelines for Exercise Testing and Prescription, 11th ed. Wolters Kluwer 2021.", None, _MIXED),
    Reference("foster_1996", "Foster C, Crowe AJ, Daines E, et al. Predicting functional capacity during treadmill testing independent of exercise protocol. Med Sci Sports Exerc 1996;28:752-756.", None, _SEEN),
    # Heart rate.
    Reference("fox_1971", "Fox SM, Naughton JP, Haskell WL. Physical activity and the prevention of coronary heart disease. Ann Clin Res 1971;3:404-432.", None, _SEEN),
    Reference("robergs_2002", 'Robergs RA, Landwehr R. The surprising history of the "HRmax = 220 - age" equation. J Exerc Physiol Online 2002;5(2):1-10.', None, _SEEN),
    Reference("tanaka_2001", "Tanaka H, Monahan KD, Seals DR. Age-predicted maximal heart rate revisited. J Am Coll Cardiol 2001;37:153-156.", None, _SEEN),
    Reference("gellish_2007", "Gellish RL, Goslin BR, Olson RE, et al. Longitudinal modeling of the relationship between age and maximal heart rate. Med Sci Sports Exerc 2007;39:822-829.", None, _SEEN),
    Reference("gulati_2010", "Gulati M, Shaw LJ, Thisted RA, et al. Heart rate response to exercise stress testing in asymptomatic women. Circulation 2010;122:130-137.", None, _SEEN),
    Reference("nes_2013", "Nes BM, Janszky I, Wisloff U, Stoylen A, Karlsen T. Age-predicted maximal heart rate in healthy subjects: the HUNT Fitness Study. Scand J Med Sci Sports 2013;23:697-704.", None, _SEEN),
    Reference("sydo_2014", "Sydo N, Abdelmoneim SS, Mulvagh SL, et al. Relationship between exercise heart rate and age in men vs women. Mayo Clin Proc 2014;89:1664-1672.", None, _SEEN),
    Reference("zhu_2010", "Zhu N, Suarez-Lopez JR, Sidney S, et al. Longitudinal examination of age-predicted symptom-limited exercise maximum HR. Med Sci Sports Exerc 2010;42:1519-1527.", None, _SEEN),
    Reference("londeree_1982", "Londeree BR, Moeschberger ML. Effect of age and other factors on maximal heart rate. Res Q Exerc Sport 1982;53:297-304.", None, "read as quoted by jackson_2007"),
    Reference("jackson_2007", "Jackson AS. Estimating maximum heart rate from age: is it a linear relationship? Med Sci Sports Exerc 2007;39:821.", None, _SEEN),
    Reference("karvonen_1957", "Karvonen MJ, Kentala E, Mustala O. The effects of training on heart rate: a longitudinal study. Ann Med Exp Biol Fenn 1957;35:307-315.", None, _MEMORY),
    # Reference values and prediction.
    Reference("kaminsky_2015", "Kaminsky LA, Arena R, Myers J. Reference standards for cardiorespiratory fitness measured with cardiopulmonary exercise testing: data from the Fitness Registry and the Importance of Exercise National Database. Mayo Clin Proc 2015;90:1515-1523.", None, "percentiles from memory, recalled twice independently; end medians and total number read in the abstract"),
    Reference("kaminsky_2017", "Kaminsky LA, Imboden MT, Arena R, Myers J. Reference standards for cardiorespiratory fitness measured with cardiopulmonary exercise testing using cycle ergometry. Mayo Clin Proc 2017;92:228-233.", None, "four end medians read in the abstract, the others second-hand from one source"),
    Reference("kaminsky_2022", "Kaminsky LA, Arena R, Myers J, et al. Updated reference standards for cardiorespiratory fitness measured with cardiopulmonary exercise testing. Mayo Clin Proc 2022;97:285-293.", None, "medians read second-hand"),
    Reference("van_der_steeg_2021", "Van der Steeg GE, Takken T. Reference values for maximum oxygen uptake relative to body mass in Dutch/Flemish subjects aged 6-65 years: the LowLands Fitness Registry. Eur J Appl Physiol 2021;121:1189-1196.", "10.1007/s00421-021-04596-6", _ABSTRACT),
    Reference("wagner_2021", "Wagner J, Knaier R, Infanger D, et al. Novel CPET reference values in healthy adults: associations with physical activity. Med Sci Sports Exerc 2021;53:26-37.", None, _ABSTRACT),
    Reference("crawford_2009", "Crawford JR, Garthwaite PH, Slick DJ. On percentile norms in neuropsychology: proposed reporting standards and methods for quantifying the uncertainty over the percentile ranks of test scores. Clin Neuropsychol 2009;23:1173-1195.", None, _MEMORY),
    Reference("myers_2017", "Myers J, Kaminsky LA, Lima R, et al. A reference equation for normal standards for VO2max: analysis from the Fitness Registry and the Importance of Exercise National Database. Prog Cardiovasc Dis 2017;60:21-29.", "10.1016/j.pcad.2017.03.002", "read second-hand"),
    Reference("de_souza_e_silva_2018", "de Souza e Silva CG, Kaminsky LA, Arena R, et al. A reference equation for maximal aerobic power for treadmill and cycle ergometer exercise testing. Eur J Prev Cardiol 2018;25:742-750.", None, _SEEN),
    Reference("jones_1985", "Jones NL, Makrides L, Hitchcock C, Chypchar T, McCartney N. Normal standards for an incremental progressive cycle ergometer test. Am Rev Respir Dis 1985;131:700-708.", None, "VO2max, power and heart rate read in the abstract; ventilation and threshold from memory"),
    Reference("hansen_1984", "Hansen JE, Sue DY, Wasserman K. Predicted values for clinical exercise testing. Am Rev Respir Dis 1984;129(2 Pt 2):S49-S55.", None, _MIXED),
    Reference("wasserman_2012", "Wasserman K, Hansen JE, Sue DY, et al. Principles of Exercise Testing and Interpretation, 5th ed. Lippincott Williams & Wilkins 2012.", None, _MIXED),
    Reference("guazzi_2012", "Guazzi M, Adams V, Conraads V, et al. EACPR/AHA joint scientific statement: clinical recommendations for cardiopulmonary exercise testing data assessment in specific patient populations. Eur Heart J 2012;33:2917-2927.", "10.1093/eurheartj/ehs221", _MEMORY),
    Reference("ats_accp_2003", "American Thoracic Society, American College of Chest Physicians. ATS/ACCP statement on cardiopulmonary exercise testing. Am J Respir Crit Care Med 2003;167:211-277.", None, _MEMORY),
    Reference("blackie_1989", "Blackie SP, Fairbarn MS, McElvaney GN, Morrison NJ, Wilcox PG, Pardy RL. Prediction of maximal oxygen uptake and power during cycle ergometry in subjects older than 55 years of age. Am Rev Respir Dis 1989;139:1424-1429.", None, _SEEN),
    Reference("koch_2009", "Koch B, Schaper C, Ittermann T, et al. Reference values for cardiopulmonary exercise testing in healthy volunteers: the SHIP study. Eur Respir J 2009;33:389-397.", "10.1183/09031936.00074208", _SEEN),
    Reference("glaser_2010", "Glaser S, et al. Respirology 2010 (equations of the SHIP study; title and pages not verified).", None, "value from memory, medium confidence"),
    Reference("fairbarn_1994", "Fairbarn MS, Blackie SP, McElvaney NG, Wiggs BR, Pare PD, Pardy RL. Prediction of heart rate and oxygen uptake during incremental and maximal exercise in healthy adults. Chest 1994;105:1365-1369.", None, _MIXED),
    Reference("neder_1999", "Neder JA, Nery LE, et al. Am J Respir Crit Care Med 1999;159:1481 (title not verified).", None, "value from memory, medium confidence"),
    Reference("morris_1993", "Morris CK, Myers J, Froelicher VF, et al. Nomogram based on metabolic equivalents and age for assessing aerobic exercise capacity in men. J Am Coll Cardiol 1993;22:175-182.", None, _MEMORY),
    Reference("gulati_2005", "Gulati M, Black HR, Shaw LJ, et al. The prognostic value of a nomogram for exercise capacity in women. N Engl J Med 2005;353:468-475.", None, _MEMORY),
    Reference("cooper_1984", "Cooper DM, Weiler-Ravell D. Gas exchange response to exercise in children. Am Rev Respir Dis 1984;129(2 Pt 2):S47-S48.", None, "equations read in a review of 2019 that cites this group; the paper itself from memory"),
    # Estimation from exercise and field tests.
    Reference("kokkinos_2018", "Kokkinos P, Kaminsky LA, Arena R, Zhang J, Myers J. A new generalized cycle ergometry equation for predicting maximal oxygen uptake. Eur J Prev Cardiol 2018;25:1077-1082.", "10.1177/2047487318772667", _SEEN),
    Reference("storer_1990", "Storer TW, Davis JA, Caiozzo VJ. Accurate prediction of VO2max in cycle ergometry. Med Sci Sports Exerc 1990;22:704-712.", None, _SEEN),
    Reference("astrand_1954", "Astrand PO, Ryhming I. A nomogram for calculation of aerobic capacity (physical fitness) from pulse rate during submaximal work. J Appl Physiol 1954;7:218-221.", None, _MEMORY),
    Reference("astrand_1960", "Astrand I. Aerobic work capacity in men and women with special reference to age. Acta Physiol Scand Suppl 1960;169:1-92.", None, _MEMORY),
    Reference("golding_1989", "Golding LA, Myers CR, Sinning WE. Y's Way to Physical Fitness, 3rd ed. Human Kinetics 1989.", None, _MIXED),
    Reference("nchs_2002", "National Center for Health Statistics. Cardiovascular fitness procedures and data documentation, NHANES 1999-2002.", None, _SEEN),
    Reference("kline_1987", "Kline GM, Porcari JP, Hintermeister R, et al. Estimation of VO2max from a one-mile track walk, gender, age, and body weight. Med Sci Sports Exerc 1987;19:253-259.", None, _SEEN),
    Reference("cooper_1968", "Cooper KH. A means of assessing maximal oxygen intake: correlation between field and treadmill testing. JAMA 1968;203:201-204.", None, _SEEN),
    Reference("balke_1963", "Balke B. A simple field test for the assessment of physical fitness. Civil Aeromedical Research Institute report 63-6, 1963.", None, "value from memory, medium confidence"),
    Reference("mcardle_1972", "McArdle WD, Katch FI, Pechar GS, Jacobson L, Ruck S. Reliability and interrelationships between maximal oxygen intake, physical work capacity and step-test scores in college women. Med Sci Sports 1972;4:182-186.", None, _SEEN),
    Reference("leger_1982", "Leger LA, Lambert J. A maximal multistage 20-m shuttle run test to predict VO2max. Eur J Appl Physiol 1982;49:1-12.", None, _SEEN),
    Reference("leger_1988", "Leger LA, Mercier D, Gadoury C, Lambert J. The multistage 20 metre shuttle run test for aerobic fitness. J Sports Sci 1988;6:93-101.", None, _SEEN),
    Reference("stickland_2003", "Stickland MK, Petersen SR, Bouffard M. Prediction of maximal aerobic power from the 20-m multi-stage shuttle run test. Can J Appl Physiol 2003;28:272-282.", None, _SEEN),
    Reference("ebbeling_1991", "Ebbeling CB, Ward A, Puleo EM, Widrick J, Rippe JM. Development of a single-stage submaximal treadmill walking test. Med Sci Sports Exerc 1991;23:966-973.", None, _SEEN),
    Reference("george_1993", "George JD, Vehrs PR, Allsen PE, Fellingham GW, Fisher AG. VO2max estimation from a submaximal 1-mile track jog for fit college-age individuals. Med Sci Sports Exerc 1993;25:401-406.", None, _SEEN),
    Reference("foster_1984", "Foster C, Jackson AS, Pollock ML, et al. Generalized equations for predicting functional capacity from treadmill performance. Am Heart J 1984;107:1229-1234.", None, _SEEN),
    Reference("foster_1983", "Foster C, Pollock ML, Rod JL, Dymond DS, Wible G, Schmidt DH. Evaluation of functional capacity during exercise radionuclide angiography. Cardiology 1983;70:85-93.", None, "value from memory, medium confidence"),
    Reference("pollock_1982", "Pollock ML, Foster C, Schmidt D, Hellman C, Linnerud AC, Ward A. Comparative analysis of physiologic responses to three different maximal graded exercise test protocols in healthy women. Am Heart J 1982;103:363-373.", None, _MIXED),
    Reference("pollock_1976", "Pollock ML, Bohannon RL, Cooper KH, et al. A comparative analysis of four protocols for maximal treadmill stress testing. Am Heart J 1976;92:39-46.", None, _MEMORY),
    # Protocols.
    Reference("bruce_1973", "Bruce RA, Kusumi F, Hosmer D. Maximal oxygen intake and nomographic assessment of functional aerobic impairment in cardiovascular disease. Am Heart J 1973;85:546-562.", None, _MIXED),
    Reference("balke_1959", "Balke B, Ware RW. An experimental study of physical fitness of Air Force personnel. US Armed Forces Med J 1959;10:675-688.", None, _MIXED),
    Reference("naughton_1964", "Naughton J, Balke B, Nagle F. Refinements in methods of evaluation and physical conditioning before and after myocardial infarction. Am J Cardiol 1964;14:837-843.", None, "value from memory, medium confidence"),
    Reference("who_1968", "World Health Organization. Exercise tests in relation to cardiovascular function. Technical Report Series 388. WHO 1968.", None, _MEMORY),
    Reference("buchfuhrer_1983", "Buchfuhrer MJ, Hansen JE, Robinson TE, Sue DY, Wasserman K, Whipp BJ. Optimizing the exercise protocol for cardiopulmonary assessment. J Appl Physiol 1983;55:1558-1564.", None, _MEMORY),
    # Peak, plateau, effort.
    Reference("edvardsen_2014", "Edvardsen E, Hem E, Anderssen SA. End criteria for reaching maximal oxygen uptake must be strict and adjusted to sex and age: a cross-sectional study. PLoS One 2014;9:e85276.", None, _MIXED),
    Reference("decato_2018", "DeCato TW, Bradley SM, Wilson EL, Hegewald MJ. Repeatability and meaningful change of CPET parameters in healthy subjects. Med Sci Sports Exerc 2018;50:589-595.", None, _SEEN),
    Reference("hopkins_2001", "Hopkins WG, Schabort EJ, Hawley JA. Reliability of power in physical performance tests. Sports Med 2001;31:211-234.", None, _SEEN),
    # Groups.
    Reference("hopkins_2015", "Hopkins WG. Individual responses made easy. J Appl Physiol 2015;118:1444-1446.", None, "formula as it stands in published analysis code that cites it; the paper itself from memory"),
    Reference("sen_1968", "Sen PK. Estimates of the regression coefficient based on Kendall's tau. J Am Stat Assoc 1968;63:1379-1389.", None, "equation 2.6 as a general statistics library implements it; the paper from memory"),
    Reference("barnett_2005", "Barnett AG, van der Pols JC, Dobson AJ. Regression to the mean: what it is and how to deal with it. Int J Epidemiol 2005;34:215-220.", "10.1093/ije/dyh299", "equations 1 and 2 read in the code that the first author published with it"),
    Reference("fleg_2005", "Fleg JL, Morrell CH, Bos AG, et al. Accelerated longitudinal decline of aerobic capacity in healthy older adults. Circulation 2005;112:674-682.", "10.1161/CIRCULATIONAHA.105.545459", _ABSTRACT),
    Reference("stathokostas_2004", "Stathokostas L, Jacob-Johnson S, Petrella RJ, Paterson DH. Longitudinal changes in aerobic power in older men and women. J Appl Physiol 2004;97:781-789.", None, _ABSTRACT),
    Reference("atkinson_2015", "Atkinson G, Batterham AM. True and false interindividual differences in the physiological response to an intervention. Exp Physiol 2015;100:577-588.", None, "formula as it stands in published analysis code that cites it; the paper itself from memory"),
    Reference("welch_1947", "Welch BL. The generalization of 'Student's' problem when several different population variances are involved. Biometrika 1947;34:28-35.", None, _MEMORY),
    Reference("hyndman_1996", "Hyndman RJ, Fan Y. Sample quantiles in statistical packages. Am Stat 1996;50:361-365.", None, _MEMORY),
    Reference("skinner_1999", "Skinner JS, Wilmore KM, Jaskolska A, et al. Reproducibility of maximal exercise test data in the HERITAGE family study. Med Sci Sports Exerc 1999;31:1623-1628.", None, "value from memory, low confidence"),
    Reference("wilmore_1998", "Wilmore JH, Stanforth PR, Turley KR, et al. Reproducibility of cardiovascular, respiratory, and metabolic responses to submaximal exercise: the HERITAGE Family Study. Med Sci Sports Exerc 1998;30:259-265.", None, _ABSTRACT),
    Reference("wilmore_2001", "Wilmore JH, Stanforth PR, Gagnon J, et al. Heart rate and blood pressure changes with endurance training: the HERITAGE Family Study. Med Sci Sports Exerc 2001;33:107-116.", "10.1097/00005768-200101000-00017", _ABSTRACT),
    Reference("lamberts_2004", "Lamberts RP, Lemmink KA, Durandt JJ, Lambert MI. Variation in heart rate during submaximal exercise: implications for monitoring training. J Strength Cond Res 2004;18:641-645.", None, _ABSTRACT),
    Reference("robergs_2010", "Robergs RA, Dwyer D, Astorino T. Recommendations for improved data processing from expired gas analysis indirect calorimetry. Sports Med 2010;40:95-111.", None, _MEMORY),
    Reference("midgley_2007", "Midgley AW, McNaughton LR, Carroll S. Effect of the VO2 time-averaging interval on the reproducibility of VO2max in healthy athletic subjects. Clin Physiol Funct Imaging 2007;27:122-125.", None, _ABSTRACT),
    Reference("nolte_2023", "Nolte S, Rein R, Quittmann OJ. Data processing strategies to determine maximum oxygen uptake: a systematic scoping review and experimental comparison with guidelines for reporting. Sports Med 2023;53:2463-2475.", "10.1007/s40279-023-01903-3", _SEEN),
    Reference("martin_rincon_2020", "Martin-Rincon M, Calbet JAL. Progress update and challenges on VO2max testing and interpretation. Front Physiol 2020;11:1070.", None, _SEEN),
    Reference("taylor_1955", "Taylor HL, Buskirk E, Henschel A. Maximal oxygen intake as an objective measure of cardio-respiratory performance. J Appl Physiol 1955;8:73-80.", None, _MIXED),
    Reference("howley_1995", "Howley ET, Bassett DR, Welch HG. Criteria for maximal oxygen uptake: review and commentary. Med Sci Sports Exerc 1995;27:1292-1301.", None, _SEEN),
    Reference("midgley_2009", "Midgley AW, Carroll S, Marchant D, McNaughton LR, Siegler J. Evaluation of true maximal oxygen uptake based on a novel set of standardized criteria. Appl Physiol Nutr Metab 2009;34:115-123.", None, _MEMORY),
    Reference("niemeyer_2021", "Niemeyer M, Knaier R, Beneke R. The oxygen uptake plateau: a critical review of the frequently misunderstood phenomenon. Sports Med 2021;51:1815-1834.", None, _SEEN),
    Reference("wagner_2020", "Wagner J, Niemeyer M, Infanger D, et al. New data-based cutoffs for maximal exercise criteria across the lifespan. Med Sci Sports Exerc 2020;52:1915-1923.", None, _ABSTRACT),
    Reference("costa_2021", "Costa VAB, Midgley AW, Carroll S, et al. Is a verification phase useful for confirming maximal oxygen uptake in apparently healthy adults? A systematic review and meta-analysis. PLoS One 2021;16:e0247057.", None, _MIXED),
    Reference("newey_1987", "Newey WK, West KD. A simple, positive semi-definite, heteroskedasticity and autocorrelation consistent covariance matrix. Econometrica 1987;55:703-708.", None, _MEMORY),
    # Slopes and lactate.
    Reference("baba_1996", "Baba R, Nagashima M, Goto M, et al. Oxygen uptake efficiency slope: a new index of cardiorespiratory functional reserve derived from the relation between oxygen uptake and minute ventilation during incremental exercise. J Am Coll Cardiol 1996;28:1567-1572.", None, _SEEN),
    Reference("arena_2007", "Arena R, Myers J, Abella J, et al. Development of a ventilatory classification system in patients with heart failure. Circulation 2007;115:2410-2417.", None, _MEMORY),
    Reference("kindermann_1979", "Kindermann W, Simon G, Keul J. The significance of the aerobic-anaerobic transition for the determination of work load intensities during endurance training. Eur J Appl Physiol 1979;42:25-34.", None, _MEMORY),
    Reference("heck_1985", "Heck H, Mader A, Hess G, Mucke S, Muller R, Hollmann W. Justification of the 4-mmol/l lactate threshold. Int J Sports Med 1985;6:117-130.", None, _MEMORY),
    Reference("jamnick_2018", "Jamnick NA, Botella J, Pyne DB, Bishop DJ. Manipulating graded exercise test variables affects the validity of the lactate threshold and VO2peak. PLoS One 2018;13:e0199794.", "10.1371/journal.pone.0199794", "abstract read; its definitions of the methods from memory"),
    Reference("bishop_1998", "Bishop D, Jenkins DG, Mackinnon LT. The relationship between plasma lactate parameters, Wpeak and 1-h cycling performance in women. Med Sci Sports Exerc 1998;30:1270-1275.", None, _MEMORY),
    Reference("beaver_1986", "Beaver WL, Wasserman K, Whipp BJ. A new method for detecting anaerobic threshold by gas exchange. J Appl Physiol 1986;60:2020-2027.", None, _MEMORY),
    Reference("beaver_1985", "Beaver WL, Wasserman K, Whipp BJ. Improved detection of lactate threshold during exercise using a log-log transformation. J Appl Physiol 1985;59:1936-1940.", None, _MEMORY),
    # Blood pressure.
    Reference("riebe_2015", "Riebe D, Franklin BA, Thompson PD, et al. Updating ACSM's recommendations for exercise preparticipation health screening. Med Sci Sports Exerc 2015;47:2473-2479.", None, _MEMORY),
    Reference("fletcher_2013", "Fletcher GF, Ades PA, Kligfield P, et al. Exercise standards for testing and training: a scientific statement from the American Heart Association. Circulation 2013;128:873-934.", None, _MEMORY),
    Reference("borg_1982", "Borg GA. Psychophysical bases of perceived exertion. Med Sci Sports Exerc 1982;14:377-381.", None, _MEMORY),
    Reference("cole_1999", "Cole CR, Blackstone EH, Pashkow FJ, Snader CE, Lauer MS. Heart-rate recovery immediately after exercise as a predictor of mortality. N Engl J Med 1999;341:1351-1357.", None, _SEEN),
    # Reliability and statistical control.
    Reference("hopkins_2000", "Hopkins WG. Measures of reliability in sports medicine and science. Sports Med 2000;30:1-15.", None, _MEMORY),
    Reference("bland_1986", "Bland JM, Altman DG. Statistical methods for assessing agreement between two methods of clinical measurement. Lancet 1986;327:307-310.", None, _MEMORY),
    Reference("shrout_1979", "Shrout PE, Fleiss JL. Intraclass correlations: uses in assessing rater reliability. Psychol Bull 1979;86:420-428.", None, _MEMORY),
    Reference("mcgraw_1996", "McGraw KO, Wong SP. Forming inferences about some intraclass correlation coefficients. Psychol Methods 1996;1:30-46.", None, _MEMORY),
    Reference("satterthwaite_1946", "Satterthwaite FE. An approximate distribution of estimates of variance components. Biometrics Bull 1946;2:110-114.", None, _MEMORY),
    Reference("bonett_2000", "Bonett DG, Wright TA. Sample size requirements for estimating Pearson, Kendall and Spearman correlations. Psychometrika 2000;65:23-28.", None, _MEMORY),
    Reference("tukey_1977", "Tukey JW. Exploratory Data Analysis. Addison-Wesley 1977.", None, _MEMORY),
    Reference("nist_2012", "NIST/SEMATECH e-Handbook of Statistical Methods. National Institute of Standards and Technology 2012.", "10.18434/M32189", "printed limits read second-hand, formulas from memory"),
    Reference("western_electric_1956", "Western Electric Company. Statistical Quality Control Handbook. 1956.", None, _MEMORY),
    Reference("champ_1987", "Champ CW, Woodall WH. Exact results for Shewhart control charts with supplementary runs rules. Technometrics 1987;29:393-399.", None, _MEMORY),
    Reference("revill_2000", "Revill SM, Morgan MDL. Biological quality control for exercise testing. Thorax 2000;55:63-66.", "10.1136/thorax.55.1.63", _ABSTRACT),
    Reference("porszasz_2016", "Porszasz J, Blonshine S, Cao R, Paden HA, Casaburi R, Rossiter HB. Biological quality control for cardiopulmonary exercise testing in multicenter clinical trials. BMC Pulm Med 2016;16:13.", "10.1186/s12890-016-0174-8", _ABSTRACT),
)  # fmt: skip

REFERENCES: Mapping[str, Reference] = MappingProxyType({one.key: one for one in _ALL})


def cited_keys(text: str) -> tuple[str, ...]:
    """The citation keys that stand in a text, in order, whether they resolve or not."""
    return tuple(_KEY.findall(text))


def citation(source: str) -> str:
    """A source as a person reads it.

    Parameters
    ----------
    source : str
        A citation key, or text that may hold keys, or text alone ("common practice, no source").

    Returns
    -------
    str
        The citation where `source` is a key. Text with keys in it is kept, the citations follow it.

    Raises
    ------
    KeyError
        A key does not resolve.
    """
    keys = cited_keys(source)
    if keys == (source,):
        return REFERENCES[source].text
    if not keys:
        return source
    return f"{source}: " + " ".join(REFERENCES[key].text for key in dict.fromkeys(keys))
