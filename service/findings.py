"""The catalogue of findings: every remark the service can make about a file or a test, once.

A finding never changes a number. Its severity says what follows: ``error`` keeps a result out of change
and trend, ``warning`` asks for a look, ``info`` says what was inferred or assumed.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

Severity = Literal["info", "warning", "error"]


@dataclass(frozen=True, slots=True)
class FindingKind:
    """What one code means.

    Attributes
    ----------
    code : str
        Stable text.
    severity : {"info", "warning", "error"}
        Usual severity; a finding may carry another where the catalogue says so in `meaning`.
    title : str
        A few words.
    meaning : str
        What was seen, and what it does to the results.
    what_to_do : str
        What a tester does about it.
    """

    code: str
    severity: Severity
    title: str
    meaning: str
    what_to_do: str

    def as_dict(self) -> dict[str, str]:
        """JSON form for the catalogue."""
        return {
            "code": self.code,
            "severity": self.severity,
            "title": self.title,
            "meaning": self.meaning,
            "what_to_do": self.what_to_do,
        }


@dataclass(frozen=True, slots=True)
class Finding:
    """One remark about one file or test.

    Attributes
    ----------
    code : str
        Key in `FINDINGS`.
    severity : {"info", "warning", "error"}
    message : str
        What was seen here, with numbers and units.
    what_to_do : str
    first_seq, last_seq : int, optional
        The intervals concerned, counted from 0.
    row : int, optional
        Row of the file as a spreadsheet counts it (the first line is 1).
    column : str, optional
        Header of the column concerned.
    """

    code: str
    severity: Severity
    message: str
    what_to_do: str
    first_seq: int | None = None
    last_seq: int | None = None
    row: int | None = None
    column: str | None = None

    def as_dict(self) -> dict[str, Any]:
        """JSON form; row and column only where the finding is about a file."""
        answer: dict[str, Any] = {
            "code": self.code,
            "severity": self.severity,
            "message": self.message,
            "what_to_do": self.what_to_do,
            "first_seq": self.first_seq,
            "last_seq": self.last_seq,
        }
        if self.row is not None or self.column is not None:
            answer["row"] = self.row
            answer["column"] = self.column
        return answer


def finding(
    code: str,
    message: str,
    *,
    severity: Severity | None = None,
    first_seq: int | None = None,
    last_seq: int | None = None,
    row: int | None = None,
    column: str | None = None,
) -> Finding:
    """Make a finding of a catalogued kind.

    Parameters
    ----------
    code : str
        Key in `FINDINGS`.
    message : str
        What was seen here.
    severity : {"info", "warning", "error"}, optional
        Only where it differs from the kind's own.

    Raises
    ------
    KeyError
        The code is not in the catalogue.
    """
    kind = FINDINGS[code]
    return Finding(
        code,
        severity or kind.severity,
        message,
        kind.what_to_do,
        first_seq=first_seq,
        last_seq=last_seq,
        row=row,
        column=column,
    )


_ALL: tuple[FindingKind, ...] = (
    # What intake inferred or noticed in a file.
    FindingKind("time_is_interval_end", "info", "Time taken as the end of the interval", "The file has one time column and does not say whether it marks the start or the end of an interval; it was taken as the end. The other reading moves every value by one interval.", "If the times mark the start, import again and say that a time stands at the start of its interval (option time_marks)."),
    FindingKind("default_duration", "info", "Durations inferred", "The file gives no durations; an interval lasts from the previous end, the first as long as the second.", "Nothing, unless the file has gaps that are not measurements."),
    FindingKind("ve_taken_as_btps", "info", "Ventilation taken as BTPS", "The file does not say under which conditions ventilation is stated; BTPS is the convention.", "If it is ATPS or STPD, import again and say as which it is stated (option volume_condition)."),
    FindingKind("volume_condition_converted", "info", "Ventilation converted to BTPS", "Ventilation was stated under other conditions and was converted with the pressure and temperature of the visit.", "Check the barometric pressure and temperature of the visit."),
    FindingKind("unit_assumed_by_trade", "info", "Unit taken from the usual one", "A column without a unit can only be in the one unit used for it (beats/min, watts, per cent).", "Name the unit in the options if it is another."),
    FindingKind("column_not_used", "info", "Column not used", "A column means nothing to this service, or repeats one that was read. It was left out.", "Name its quantity and unit in the options if it should be read."),
    FindingKind("derived_column_checked", "info", "Derived column checked and not stored", "The file holds a value that follows from others; it was compared with them and is not stored.", "Nothing."),
    FindingKind("derived_column_disagrees", "warning", "A derived column disagrees", "A ratio or a value per body mass in the file does not follow from the columns it is made of. Units, body mass or averaging may be wrong.", "Check the units and the body mass; correct them and import again."),
    FindingKind("trailing_rows_not_read", "info", "Text or summary rows left out", "Rows before or after the data hold text or summaries (peak, mean); they were not read as intervals.", "Check that no interval is among them."),
    FindingKind("rows_outside_selection", "info", "Rows outside the chosen part", "The options choose a part of the file; the other rows were not read.", "Nothing."),
    FindingKind("uptake_from_body_mass", "info", "Uptake computed from mL/kg/min", "The file gives uptake per body mass only; it was multiplied by the body mass of the visit.", "Check the body mass of the visit."),
    FindingKind("carbon_dioxide_from_ratio", "info", "VCO2 computed from the ratio", "The file gives the exchange ratio and VO2 but no VCO2; VCO2 was computed as their product, as exact as the ratio is rounded.", "Export VCO2 as well if it can be had."),
    FindingKind("clock_time_counted_from_start", "info", "Times of day counted from the start", "The file gives times of day; seconds are counted from the beginning of its first interval.", "State marks of exercise in these seconds."),
    FindingKind("phase_word_unknown", "warning", "Phase or stage not understood", "A word in the phase or stage column names no phase or stage; the rows have none.", "Set exercise_start_s and exercise_end_s, or write rest, warm-up, exercise, recovery in the file."),
    FindingKind("phase_carried_down", "info", "Phases carried down", "Each phase is named once, where it begins; it was taken to hold until the next.", "Nothing, if that is what the file means."),
    FindingKind("gap_in_times", "warning", "Gap in the times", "More time lies between two rows than their durations cover. The gap counts as not covered.", "Look at the recording; a peak window over a gap does not count."),
    FindingKind("reported_beyond_limit", "error", "Reported result beyond what is possible", "A reported result lies beyond the limit of its quantity. It is stored as given and left out of change and trend.", "Compare with the source (a lost decimal point, another unit) and correct it."),
    FindingKind("comment_kept", "info", "Comment kept", "The row carries a comment, which is kept in the notes of the test.", "Read it before the numbers."),
    # What the analysis inferred or noticed.
    FindingKind("phases_inferred", "info", "Exercise inferred", "Neither marks nor a phase column say where exercise begins and ends; it was inferred from the work rate, or else from the uptake.", "Set exercise_start_s and exercise_end_s if they are known."),
    FindingKind("marks_from_phases", "info", "Exercise taken from the phase column", "The marks follow the phases of the file.", "Nothing."),
    FindingKind("shape_not_told", "info", "Step or ramp cannot be told", "The intervals are as long as a stage would be, so step and ramp look the same; without the shape the plateau is not assessed.", "State the shape of the test."),
    FindingKind("grade_taken_as_level", "info", "Treadmill taken as level", "The file has no grade; the oxygen cost of each speed was computed for a level treadmill.", "Add the grade in the stage notes if it was not 0 %."),
    FindingKind("load_from_stage_notes", "info", "Load taken from the stage notes", "The intervals carry no load; it was taken from what was noted for each stage.", "Nothing."),
    FindingKind("shape_inferred", "info", "Shape of the test inferred", "Step, ramp or constant was inferred from how the load changes.", "State the shape if it is another."),
    FindingKind("end_mark_may_be_early", "warning", "The end mark may be early", "The highest mean uptake lies within one window after the end of exercise.", "Check the end of exercise; the peak counts only up to the mark."),
    FindingKind("window_longer_than_asked", "info", "The window is longer than asked", "The intervals of the file are longer than the window asked for, so the peak is a mean over more time and usually a little lower.", "Compare only with tests averaged over the same time."),
    FindingKind("no_window_covered", "error", "No window is covered well enough", "Nowhere in exercise is a window covered to 80 % by rows that count.", "Look at the excluded and missing rows."),
    FindingKind("impossible_value", "warning", "Impossible values", "Values lie beyond what is possible. The rows are kept, count as not covered, and are an error where they touch the peak window.", "Look at the rows; exclude them with a reason or correct the source."),
    FindingKind("implausible_value", "warning", "Implausible values", "Values are possible but unusual.", "Look at them before using the result."),
    FindingKind("ratio_channel_lost", "error", "The CO2 channel is lost", "VCO2 falls away or stands still while uptake goes on; a ratio over these rows would be false and is refused.", "Use no RER from this test; check the analyser and its sample line."),
    FindingKind("channel_stuck", "warning", "A channel stands still", "A channel repeats one value for several rows, which a living person does not.", "Check the sensor; exclude the rows if it stuck."),
    FindingKind("heart_rate_lost", "warning", "Heart rate lost", "Heart rate is missing, zero, or jumps by more than 20 beats/min at once.", "Check the strap or electrodes; maximal heart rate and recovery may be wrong."),
    FindingKind("leak_signature", "warning", "Looks like a leak", "Ventilation, uptake and CO2 output fall together while the load does not: the signature of a leak at the mask or mouthpiece. A peak from these rows is too low.", "Check the mask; repeat the test if the fall lies in the peak window."),
    FindingKind("sample_line_air", "warning", "Looks like room air in the sample line", "Uptake and CO2 output fall together while ventilation and load do not: the expired sample is diluted with room air. Uptake from these rows is too low, the ventilatory equivalents are too high, the ratio hardly changes.", "Check the sample line, its filter and its connections; repeat the test if the fall lies in the peak window."),
    FindingKind("oxygen_signal_shift", "warning", "The oxygen signal shifts alone", "Uptake changes at once while CO2 output, ventilation and load do not, as when the O2 cell fails or water reaches it. Uptake and the ratio change at that moment for no reason of the body.", "Check the O2 cell and the drying of the sample; verify the analyser against calibration gas after the test."),
    FindingKind("ratio_falls_as_load_rises", "warning", "The ratio falls while the load rises", "From moderate exercise to its end the exchange ratio rises. A fall points to a drifting O2 or CO2 analyser or to moisture. A drift of 0.2 % O2 makes peak uptake 5-6 % too high; one too small to turn the ratio round is not seen here.", "Verify the analysers against calibration gas after the test; use neither peak uptake nor ratio if they drifted."),
    FindingKind("resting_ratio_suspect", "warning", "Resting ratio suspect", "The exchange ratio at rest lies outside 0.67 to 1.3, where the published advice suspects calibration or a leak. All of the test may be affected.", "Calibrate and check the mask before going on."),
    FindingKind("uptake_scale", "warning", "Uptake out of scale with the work rate", "On the cycle, uptake as a whole is far from the usual cost of the work rate: a wrong scale of the flow sensor or the ergometer, or a wrong unit. All of uptake, CO2 output and ventilation may be wrong by one factor, which no ratio shows.", "Check the flow sensor with a 3-L syringe and the ergometer; check body mass and the unit of work rate."),
    FindingKind("ventilation_out_of_line", "warning", "Ventilation out of line with CO2 output", "The lowest ventilatory equivalent for CO2 of the test is far from usual: a wrong scale or a wet flow sensor, ventilation in other conditions (STPD, ATPS), or another unit. Ratio and, where the system computed them from the same flow, uptake may look right.", "Check the flow sensor with a 3-L syringe; check the volume condition of the file."),
    FindingKind("expired_fractions_impossible", "warning", "Ventilation and gas exchange do not fit", "Ventilation, uptake and CO2 output together ask for expired fractions that cannot be. One of them has a wrong unit, scale or volume condition.", "Check the units and the volume condition of ventilation; import again if one is wrong."),
    FindingKind("ventilation_identity", "warning", "Ventilation is not rate times volume", "Ventilation differs from respiratory rate times tidal volume. One of them is in other conditions or another unit.", "Check the volume condition and the units of both."),
    FindingKind("heart_rate_counted", "warning", "Heart rate looks like a count", "Heart rates in exercise are as low as pulse counts over 10 or 15 s. What is computed from heart rate is wrong by a factor of 6 or 4.", "Enter beats per minute."),
    FindingKind("heart_rate_follows_cadence", "warning", "Heart rate follows the cadence", "For minutes heart rate equals the cadence or twice of it while the work grows: the sensor counts movement. Maximal heart rate and what rests on it may be wrong.", "Wet or move the sensor, or use electrodes; exclude heart rates of these rows from use."),
    FindingKind("grade_as_fraction", "warning", "Grade looks like a fraction", "All grades are below half a per cent, as when 0.10 is written for 10 %. The oxygen cost of the load, and what is judged by it, is too low.", "Check the unit of the grade and import again as a fraction."),
    FindingKind("work_rate_identity", "warning", "Work rate does not follow from speed and grade", "On a treadmill the work rate is mass x gravity x speed x sine of the grade. Here it is not, so mass, speed, grade or work rate has another unit.", "Check body mass and the units of speed, grade and work rate."),
    FindingKind("noted_load_differs", "warning", "Noted and recorded load differ", "The loads noted for the stages are not those the recording has.", "Find out which is right and correct the other."),
    FindingKind("durations_do_not_add_up", "warning", "Durations do not add up", "The rows last longer in all than the recording does, so they overlap. Seconds that are in two rows count once.", "Check the unit of the durations and whether times mark the start or the end."),
    FindingKind("note_times_out_of_order", "warning", "Times of the notes out of order", "A stage was noted before the one it follows, or after the recording ended.", "Check stage numbers and times of the notes."),
    FindingKind("uptake_fell_at_end", "warning", "Uptake fell at the end", "Oxygen uptake fell by more than chance while the load still rose. The plateau rule is met, but a leak, a lost seal or bad breaths look the same.", "Look at the last minutes; exclude faulty rows with a reason."),
    FindingKind("uptake_out_of_line", "warning", "Uptake out of line with the work rate", "On the cycle, uptake rises by much less or more per watt than is plausible. Calibration, units or the ergometer may be wrong.", "Check calibration and ergometer before using the result."),
    FindingKind("mode_doubt", "warning", "Doubt about the mode", "The load in the file is of another mode of exercise than the one stated; rules, reference tables and trend go by the mode.", "Check the mode of the test; change it, or import again with the right one."),
    FindingKind("unit_doubt", "warning", "Doubt about a unit", "The values fit another unit better than the stated one.", "Check the unit and import again if it is wrong."),
    FindingKind("no_uptake", "info", "No oxygen uptake", "The test has no VO2; peak, plateau and rank cannot be given.", "Nothing, or enter the result as a reported one."),
    FindingKind("recovery_averaged_long", "info", "Recovery from long intervals", "The heart rate a minute after exercise is a mean over more than 20 s, in which heart rate falls fast; the drop depends on where the intervals begin.", "Record heart rate every 5 to 15 s in recovery, or note it at 60 and 120 s."),
    FindingKind("no_heart_rate", "info", "No heart rate", "The test has no heart rate; what needs it is not given.", "Nothing, or add it in the stage notes."),
    FindingKind("no_carbon_dioxide", "info", "No CO2 output", "The test has no VCO2; RER, thresholds and energy need it.", "Nothing."),
    FindingKind("no_body_mass", "warning", "No body mass", "The visit has no body mass; values per body mass, METs and ranks cannot be given.", "Add the body mass to the visit."),
    FindingKind("age_from_birth_year", "info", "Age at mid-year", "Only the birth year is kept; age was taken as at mid-year, and no rank is given where either possible age falls in another band.", "Add the birth date if the person agrees."),
    FindingKind("shorter_than_usual", "info", "A short test", "Exercise lasted less than 5 minutes; tests are usually planned for 8-12.", "Choose a gentler protocol next time."),
    FindingKind("longer_than_usual", "info", "A long test", "Exercise lasted more than 20 minutes; a long protocol usually gives a lower peak.", "Choose a steeper protocol next time."),
    FindingKind("rows_excluded", "info", "Rows excluded", "Rows were excluded by hand; they count as not covered.", "Read the reasons beside the rows."),
    FindingKind("sea_level_pressure_at_altitude", "warning", "Sea-level pressure at altitude", "The barometric pressure looks reduced to sea level although the visit's altitude is high.", "Enter the station pressure."),
    FindingKind("inspired_gas_not_air", "warning", "Inspired gas is not room air", "The Haldane transformation and reference values hold for room air only.", "Compare only with tests in the same gas."),
    FindingKind("peak_estimated", "info", "Peak uptake is estimated", "There is no gas exchange; peak uptake was estimated by a published method. One estimate is off by its standard error or more in one person of three, and it is never compared with measured values.", "Repeat the same method for a trend; measure gas exchange where the number itself matters."),
    FindingKind("outside_method_range", "warning", "Outside the range of the method", "An input lies outside the population or conditions a formula was developed in, or the formula has no meaning for it. The value is an extrapolation, or is not given.", "Choose a method that covers the person and the test."),
    FindingKind("aberrant_breaths", "info", "Breaths out of line left out", "Single breaths (coughs, swallows, faults) lie more than 4 SD from their neighbours. The rows stay; everything is computed without them, and the message says what that does to the peak. A warning where more than 4 % of the breaths of exercise are so: then the recording itself is in doubt.", "Look at the crosses in the chart of uptake; keep a breath that was real, or ask for the rule none. Where they are many, look for a loose mask, a wet sensor or talk."),
    FindingKind("threshold_lag", "info", "Work rate corrected for the lag of uptake", "Uptake follows the load by its mean response time, so the work rate read when uptake reaches a threshold is too high. The corrected one is an estimate.", "Check a training work rate at constant load."),
    FindingKind("threshold_methods_differ", "info", "Methods of a threshold differ", "Two methods of the same threshold lie more than 10 % apart.", "Look at the charts; set a threshold of your own where you can tell."),
    FindingKind("threshold_outside_usual", "info", "First threshold outside the usual range", "The first ventilatory threshold lies outside 40 to 80 % of peak uptake. It is given all the same.", "Look at the chart; a peak that is too low or a false break look like this."),
    FindingKind("rank_is_against_prediction", "info", "Standing against prediction, not among people", "Percent of predicted for body size is not a percentile: a gain in fat lowers the bar, and the spread is not the same at all ages.", "Read it beside the value itself."),
    FindingKind("verification_not_confirming", "warning", "Verification above the main test", "The verification bout reached more than 3 % above the main test, so the main test was not maximal; the higher value is the session's peak.", "Use the session's peak."),
    FindingKind("cohorts_name_different_rules", "warning", "Cohorts name different rule sets of effort", "The person is in two cohorts that name different rule sets of effort, so none of them decides: the site's set, else the default one, was used.", "Ask for a rule set for this test, or let the cohorts name the same one."),
    FindingKind("lactate_samples_not_described", "info", "Lactate samples not described", "Lactate was noted, but not from where the blood was taken or with what it was measured. Lactate of the fingertip, the earlobe, a vein and an artery differs during exercise, and so do analysers (common practice, no source), so these values do not compare with those of another test.", "Enter lactate_sample_site and lactate_analyser of the test."),
    # Gas, calibration, blood pressure.
    FindingKind("uptake_by_haldane", "info", "Uptake computed from expired gas", "The file has ventilation and expired fractions but no uptake; VO2 and VCO2 were computed by the Haldane transformation with the barometric pressure of the visit.", "Check the barometric pressure; it is part of every value."),
    FindingKind("uptake_not_computed", "info", "Uptake could not be computed", "The file has ventilation and expired fractions but no uptake, and something the Haldane transformation needs is missing or does not fit.", "Add what the message names to the visit."),
    FindingKind("haldane_disagrees", "warning", "Recorded and computed uptake disagree", "Ventilation and expired fractions give another uptake than the recorded one. Pressure, volume condition, units or the delay between flow and gas may be wrong. The recorded values are used.", "Check the barometric pressure, the condition of ventilation and the units."),
    FindingKind("tidal_volume_disagrees", "warning", "Tidal volume does not fit", "The recorded tidal volume is not ventilation over respiratory rate. One of the three is in another unit or under other conditions.", "Check units and conditions of the three columns."),
    FindingKind("calibration_off", "warning", "Calibration off before the test", "A known gas or volume was read wrongly before the test; every value of gas exchange carries that error.", "Calibrate again and repeat the test where it matters."),
    FindingKind("device_shift", "warning", "A shift of the device was signalled", "A control chart of the test's analyser or ergometer (a known person, gas or volume) met a rule before this test, and neither three measurements in a row without a signal nor an event of the device have come since. Results from then on may be off. It is told on reading and changes no number; a chart of a steady device signals by chance now and then.", "Measure the control again, look for the cause (calibration, leaks, sample line, ergometer), note what was done as an event of the device; repeat the test where it matters."),
    FindingKind("analyser_drift", "warning", "A sensor drifted", "A known gas or volume was read differently after the test than before. Uptake and ratio near the end carry that error; the message says how much.", "Keep the values apart from those of a steady analyser; check drying of the sample, warm-up and calibration."),
    FindingKind("calibration_not_understood", "info", "A calibration reading was not understood", "A reading names no unit or value that can be used; it was left out.", "Enter gas in % or fraction, volume in L or mL."),
    FindingKind("systolic_fell", "warning", "Systolic pressure fell as work rose", "A systolic pressure during exercise lies more than 10 mmHg below an earlier one although the load was higher. Published lists name that among reasons to stop or to consider stopping a test; a wrong reading looks the same.", "Read what was noted beside it; local rules and licensed practice decide."),
    FindingKind("pressure_beyond_stop_limit", "warning", "Blood pressure beyond a published stop limit", "A pressure during exercise lies above a limit at which published lists consider stopping a test.", "Read what was noted beside it; local rules and licensed practice decide."),
)  # fmt: skip

FINDINGS: Mapping[str, FindingKind] = MappingProxyType({kind.code: kind for kind in _ALL})
