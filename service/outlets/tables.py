"""The tables of a research export, once: columns with type, words, unit and code, and what each profile has of them.

The header of a CSV file, the schema of a Parquet file, the Table Schema of a data package and the data dictionary are all
made from here. Labels, units and codes of quantities come from the registry.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

from service.analysis.rule_sets import RULE_SETS
from service.findings import FINDINGS
from service.methods.catalogue import METHODS
from service.quantities import EXTRA_CHANNELS, QUANTITIES, STORED_CHANNELS
from service.reference.protocols import STANDARD_PROTOCOLS
from service.reference.tables import builtin_norms

#: ``identified`` has names and birth dates; ``coded`` has neither; ``deidentified`` has no date, free text, place or code.
Profile = Literal["identified", "coded", "deidentified"]
Type = Literal["string", "integer", "number", "boolean", "date", "datetime", "object"]
#: How a value comes into the de-identified profile: as it is, as a random id, as a label that says nothing, as days since
#: the person's first test, or coarsened.
How = Literal["as_is", "id", "label", "day", "whole_years", "age_group", "age_band"]

PROFILES: tuple[Profile, ...] = ("identified", "coded", "deidentified")
_ALL: frozenset[Profile] = frozenset(PROFILES)
_CODED: frozenset[Profile] = frozenset({"identified", "coded"})
_IDENTIFIED: frozenset[Profile] = frozenset({"identified"})
_DEIDENTIFIED: frozenset[Profile] = frozenset({"deidentified"})

AGE_GROUPS = (*(f"{low}-{low + 9}" for low in range(0, 90, 10)), "90+")
_MODES = ("treadmill", "cycle", "arm", "row", "ski", "step", "walk", "run")
_SHAPES = ("step", "ramp", "constant", "field", "other")
_PURPOSES = ("maximal", "submaximal", "verification", "other")
_PHASES = ("rest", "warm_up", "exercise", "recovery")
_BASES = ("measured", "estimated", "reported")
_SCALES = ("6-20", "0-10")
_MARKS = ("clock_started", "stage_started", "stage_held", "stage_resumed", "exercise_ended")
_EFFORTS = ("verified", "plateau", "secondary_criteria", "submaximal", "undetermined")
_STOP_REASONS = (
    "exhaustion", "legs", "breath", "symptom", "target_reached", "tester", "equipment", "subject_request", "other",
)  # fmt: skip
_EVENTS = (
    "illness", "injury", "operation", "medication", "training_block", "training_pause", "competition", "altitude_stay",
    "pregnancy", "device_new", "device_service", "device_replaced_part", "software_update", "procedure", "staff", "room", "other",
)  # fmt: skip
_REFERENCES = ("population_table", "population_summary", "median_only", "predicted_for_body_size")
_FAMILIES = tuple(sorted({protocol.family for protocol in STANDARD_PROTOCOLS.values()}))
_NORMS = (*(table.id for table in builtin_norms()), *METHODS)
_CALIBRATION_UNITS = ("L", "mL", "%", "% O2", "% CO2", "fraction")
_UNITS = tuple(sorted({quantity.unit for quantity in QUANTITIES.values() if quantity.unit}))


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes
    ----------
    name : str
        In the header.
    type : str
        Of Table Schema.
    title, description : str
    unit, ucum : str
        As printed, and the UCUM code; empty where there is none.
    loinc : str, optional
        Only where the code was verified.
    required : bool
        Never missing.
    known : tuple of str
        The words this column may hold; in the de-identified profile another word is never written.
    closed : bool
        Whether `known` is a constraint in every profile.
    minimum, maximum : float, optional
    of : tuple of str
        The stored columns it shows, as ``table.column``.
    profiles : frozenset of str
        Which profiles have it.
    how : str
        How the value comes into the de-identified profile.
    kind : str
        Of an id or a label: subject, visit, test, arm and so on.
    key : str
        Where the value is in a row as it is read; its name unless said otherwise.
    tells_age : bool
        Left empty for a person of 90 or more in the de-identified profile.
    """

    name: str
    type: Type
    title: str
    description: str = ""
    unit: str = ""
    ucum: str = ""
    loinc: str | None = None
    required: bool = False
    known: tuple[str, ...] = ()
    closed: bool = False
    minimum: float | None = None
    maximum: float | None = None
    of: tuple[str, ...] = ()
    profiles: frozenset[Profile] = _ALL
    how: How = "as_is"
    kind: str = ""
    key: str = ""
    tells_age: bool = False

    @property
    def source(self) -> str:
        """Where the value is in a row as it is read."""
        return self.key or self.name


@dataclass(frozen=True, slots=True)
class ForeignKey:
    """A column whose values are those of the column of another table."""

    column: str
    table: str
    reference: str


@dataclass(frozen=True, slots=True)
class Table:
    """One table.

    Attributes
    ----------
    name, title, description : str
    columns : tuple of Column
    primary_key : tuple of str
    foreign_keys : tuple of ForeignKey
    profiles : frozenset of str
    """

    name: str
    title: str
    description: str
    columns: tuple[Column, ...]
    primary_key: tuple[str, ...]
    foreign_keys: tuple[ForeignKey, ...] = ()
    profiles: frozenset[Profile] = _ALL

    def of_profile(self, profile: Profile) -> tuple[Column, ...]:
        """The columns that a profile has, in order."""
        return tuple(column for column in self.columns if profile in column.profiles)


def _id(name: str, title: str, kind: str, of: str, *, required: bool = True, description: str = "") -> Column:
    said = (
        description or "An opaque id; in the de-identified profile a random one, made for this export alone."
    )
    return Column(name, "string", title, said, required=required, of=(of,) if of else (), how="id", kind=kind)


def _words(
    name: str, title: str, of: str, known: tuple[str, ...], *, required: bool = False, description: str = ""
) -> Column:
    """A column of few words, which every profile has."""
    return Column(
        name,
        "string",
        title,
        description,
        required=required,
        known=known,
        closed=True,
        of=(of,) if of else (),
    )


def _text(
    name: str, title: str, *of: str, description: str = "", profiles: frozenset[Profile] = _CODED
) -> Column:
    """Free text: never in the de-identified profile."""
    return Column(name, "string", title, description, of=of, profiles=profiles)


def _label(
    name: str, title: str, kind: str, *of: str, known: tuple[str, ...] = (), description: str = ""
) -> Column:
    """A word of the site that groups rows: the de-identified profile has another word for each but the published ones."""
    said = f"{description} In the de-identified profile a label of the site is replaced by a number of this export.".strip()
    return Column(name, "string", title, said, known=known, of=of, how="label", kind=kind)


def _number(
    name: str,
    title: str,
    *of: str,
    unit: str = "",
    ucum: str = "",
    description: str = "",
    required: bool = False,
    minimum: float | None = None,
    profiles: frozenset[Profile] = _ALL,
) -> Column:
    return Column(
        name,
        "number",
        title,
        description,
        unit,
        ucum or unit,
        required=required,
        minimum=minimum,
        of=of,
        profiles=profiles,
    )


def _whole(
    name: str,
    title: str,
    *of: str,
    description: str = "",
    required: bool = False,
    minimum: float | None = None,
    profiles: frozenset[Profile] = _ALL,
) -> Column:
    return Column(
        name,
        "integer",
        title,
        description,
        required=required,
        minimum=minimum,
        of=of,
        profiles=profiles,
    )


def _flag(name: str, title: str, of: str, *, description: str = "") -> Column:
    return Column(name, "boolean", title, description, of=(of,))


def _quantity(
    name: str, *of: str, key: str | None = None, profiles: frozenset[Profile] = _ALL, required: bool = False
) -> Column:
    """A column of a quantity of the registry."""
    known = QUANTITIES[key or name]
    return Column(
        name,
        "number",
        known.label,
        "",
        known.unit,
        known.ucum,
        known.loinc,
        required,
        of=of,
        profiles=profiles,
    )


def _when(name: str, type_: Literal["date", "datetime"], title: str, of: str, day: str) -> tuple[Column, ...]:
    """A moment: a date, and in the de-identified profile days since the person's first test."""
    return (
        Column(name, type_, title, "In UTC." if type_ == "datetime" else "", of=(of,), profiles=_CODED),
        Column(
            day,
            "integer",
            f"{title}, days since the first test",
            "Days since the day of this person's first test (day 0), or of the first visit where there is no test.",
            "d",
            "d",
            of=(of,),
            profiles=_DEIDENTIFIED,
            how="day",
            key=name,
        ),
    )


def _of(table: str, name: str) -> str:
    return f"{table}.{name}"


_SUBJECT = ForeignKey("subject_id", "subjects", "subject_id")
_VISIT = ForeignKey("visit_id", "visits", "visit_id")
_TEST = ForeignKey("test_id", "tests", "test_id")
_PROTOCOL = ForeignKey("protocol_id", "protocols", "protocol_id")
_OF_REGISTRY = ForeignKey("quantity", "quantities", "quantity")

_VISIT_QUANTITIES = (
    "body_mass_kg", "height_cm", "resting_heart_rate_bpm", "resting_systolic_mmhg", "resting_diastolic_mmhg",
    "resting_spo2_percent", "temperature_c", "relative_humidity_percent", "hours_since_meal", "hours_since_caffeine",
    "hours_since_exercise", "haemoglobin_g_dl", "fev1_l", "mvv_l_min",
)  # fmt: skip
_LOADS = ("work_rate_w", "speed_km_h", "grade_percent")
_NOTED = (
    "heart_rate_bpm", "rpe", "rpe_legs", "rpe_breathing", "systolic_mmhg", "diastolic_mmhg", "lactate_mmol_l", "spo2_percent",
)  # fmt: skip

_VALUE = "In the unit that stands beside it; `quantities` says more."
_QUANTITY_COLUMN = Column(
    "quantity", "string", "Quantity", "Key in `quantities`.", required=True, known=tuple(QUANTITIES)
)
_UNIT_COLUMN = Column("unit", "string", "Unit", "As printed; empty for a plain number.", known=_UNITS)


def _quantity_of(of: str) -> Column:
    return Column(
        "quantity",
        "string",
        "Quantity",
        "Key in `quantities`.",
        required=True,
        known=tuple(QUANTITIES),
        of=(of,),
    )


TABLES: tuple[Table, ...] = (
    Table(
        "quantities",
        "Quantities",
        "Every quantity of the long tables, from the registry of the program.",
        (
            _QUANTITY_COLUMN,
            Column(
                "label",
                "string",
                "Label",
                required=True,
                known=tuple(one.label for one in QUANTITIES.values()),
            ),
            Column("unit", "string", "Unit as printed", known=_UNITS),
            Column(
                "ucum",
                "string",
                "UCUM code",
                required=True,
                known=tuple(one.ucum for one in QUANTITIES.values()),
            ),
            Column(
                "loinc",
                "string",
                "LOINC code",
                "Only where the code was verified.",
                known=tuple(one.loinc for one in QUANTITIES.values() if one.loinc),
            ),
            _whole("decimals", "Decimals shown", required=True, minimum=0),
        ),
        ("quantity",),
    ),
    Table(
        "subjects",
        "Subjects",
        "One row a person.",
        (
            _id("subject_id", "Subject", "subject", "subject.public_id"),
            _text(
                "code",
                "Code",
                "subject.code",
                description="What the laboratory calls this person in its papers: a pseudonym.",
            ),
            _text("given_name", "Given name", "subject.given_name", profiles=_IDENTIFIED),
            _text("family_name", "Family name", "subject.family_name", profiles=_IDENTIFIED),
            Column("birth_date", "date", "Birth date", of=("subject.birth_date",), profiles=_IDENTIFIED),
            _whole("birth_year", "Birth year", "subject.birth_year", profiles=_IDENTIFIED),
            _words(
                "sex",
                "Sex",
                "subject.sex",
                ("female", "male"),
                description="As the reference tables have it.",
            ),
            _text("notes", "Notes", "subject.notes", profiles=_IDENTIFIED),
        ),
        ("subject_id",),
    ),
    Table(
        "cohorts",
        "Cohorts",
        "The groups that were exported.",
        (
            _id("cohort_id", "Cohort", "cohort", "cohort.public_id"),
            _text("name", "Name", "cohort.name"),
            _text("notes", "Notes", "cohort.notes"),
            _label("effort_rules", "Effort rules", "rules", "cohort.effort_rules", known=tuple(RULE_SETS)),
        ),
        ("cohort_id",),
    ),
    Table(
        "cohort_members",
        "Members",
        "Which person is in which cohort, and in which arm.",
        (
            _id("cohort_id", "Cohort", "cohort", "cohort_member.cohort_id"),
            _id("subject_id", "Subject", "subject", "cohort_member.subject_id"),
            _label("arm", "Arm", "arm", "cohort_member.arm"),
            *_when("joined_on", "date", "Joined", "cohort_member.joined_on", "joined_day"),
            *_when("left_on", "date", "Left", "cohort_member.left_on", "left_day"),
        ),
        ("cohort_id", "subject_id"),
        (ForeignKey("cohort_id", "cohorts", "cohort_id"), _SUBJECT),
    ),
    Table(
        "visits",
        "Visits",
        "A day at the laboratory: mass, resting values, conditions, preparation.",
        (
            _id("visit_id", "Visit", "visit", "visit.public_id"),
            _id("subject_id", "Subject", "subject", "visit.subject_id"),
            *_when("started_at", "datetime", "Begin of the visit", "visit.started_at", "day"),
            Column(
                "date",
                "date",
                "Date of the visit",
                "In the offset of the visit.",
                of=("visit.started_at",),
                profiles=_CODED,
            ),
            _whole("utc_offset_minutes", "Offset from UTC, min", "visit.utc_offset_minutes", profiles=_CODED),
            _label("round", "Round", "round", "visit.round"),
            _text("site", "Place", "visit.site"),
            _text("tester", "Tester", "visit.tester"),
            _number(
                "age_years",
                "Age on the day",
                "visit.age_years",
                unit="years",
                ucum="a",
                profiles=_CODED,
                minimum=0,
                description="Decimal years; in the coded profile cut off (not rounded) at a tenth of a year, so that it does "
                "not tell the birthday.",
            ),
            Column(
                "age_years",
                "integer",
                "Age on the day, completed years",
                "Empty at every visit of a person who is 90 or older at any time of the record.",
                "years",
                "a",
                minimum=0,
                maximum=89,
                of=("visit.age_years",),
                profiles=_DEIDENTIFIED,
                how="whole_years",
            ),
            Column(
                "age_group",
                "string",
                "Age group",
                "Completed years by tens. 90+ stands at every visit of a person who is 90 or older at any time of the record.",
                known=AGE_GROUPS,
                closed=True,
                profiles=_DEIDENTIFIED,
                how="age_group",
                key="age_years",
            ),
            _words(
                "age_basis",
                "What the age is from",
                "",
                ("birth_date", "given", "birth_year"),
                description="From a birth year it is the age of a person born in the middle of that year.",
            ),
            _words("body_mass_source", "Body mass is", "visit.body_mass_source", ("measured", "stated")),
            *(_quantity(name, _of("visit", name)) for name in _VISIT_QUANTITIES),
            _number(
                "vital_capacity_l", "Vital capacity", "visit.vital_capacity_l", unit="L", description="BTPS."
            ),
            # These two tell where a laboratory lies.
            _quantity("barometric_pressure_mmhg", "visit.barometric_pressure_mmhg", profiles=_CODED),
            _quantity("altitude_m", "visit.altitude_m", profiles=_CODED),
            *_when(
                "consent_given_at", "datetime", "Consent given", "visit.consent_given_at", "consent_given_day"
            ),
            _text("history", "History", "visit.history"),
            _text("notes", "Notes", "visit.notes"),
        ),
        ("visit_id",),
        (_SUBJECT,),
    ),
    Table(
        "medications",
        "Medications",
        "What was taken on the day of a visit, in the order it was told.",
        (
            _id("visit_id", "Visit", "visit", ""),
            _whole("seq", "Number", required=True, minimum=0),
            _text("name", "Name", "visit.medications"),
            _text("dose", "Dose", "visit.medications"),
            Column("taken_at", "datetime", "Taken", "In UTC.", of=("visit.medications",), profiles=_CODED),
            _flag("limits_heart_rate", "Limits heart rate", "visit.medications"),
        ),
        ("visit_id", "seq"),
        (_VISIT,),
    ),
    Table(
        "pre_test_answers",
        "Questions before the test",
        "What was asked before the test, and what was answered.",
        (
            _id("visit_id", "Visit", "visit", ""),
            _whole("seq", "Number", required=True, minimum=0),
            _text("question", "Question", "visit.pre_test_answers"),
            _text("answer", "Answer", "visit.pre_test_answers"),
        ),
        ("visit_id", "seq"),
        (_VISIT,),
        _CODED,
    ),
    Table(
        "measurements",
        "Other measurements",
        "Other fitness measurements of a visit, one a row.",
        (
            _id("visit_id", "Visit", "visit", "measurement.visit_id"),
            _quantity_of("measurement.quantity"),
            _number("value", "Value", "measurement.value", required=True, description=_VALUE),
            _UNIT_COLUMN,
            _text("note", "Note", "measurement.note"),
        ),
        ("visit_id", "quantity"),
        (_VISIT, _OF_REGISTRY),
    ),
    Table(
        "protocols",
        "Protocols",
        "The protocols that the tests name.",
        (
            Column(
                "protocol_id",
                "string",
                "Protocol",
                "Id of a published protocol, or of one of the site.",
                required=True,
                known=tuple(STANDARD_PROTOCOLS),
                of=("protocol.key",),
                how="label",
                kind="protocol",
            ),
            _text("name", "Name", "protocol.name"),
            _label(
                "family",
                "Family",
                "family",
                "protocol.family",
                known=_FAMILIES,
                description="Results of one family are compared with each other.",
            ),
            _words("mode", "Mode", "protocol.mode", _MODES),
            _words("shape", "Shape", "protocol.shape", _SHAPES),
            _words("purpose", "Purpose", "protocol.purpose", _PURPOSES),
            _text("source", "Source", "protocol.source"),
        ),
        ("protocol_id",),
    ),
    Table(
        "protocol_stages",
        "Stages of the protocols",
        "As planned; what was done stands in the intervals and stage notes.",
        (
            Column(
                "protocol_id",
                "string",
                "Protocol",
                required=True,
                known=tuple(STANDARD_PROTOCOLS),
                of=("protocol_stage.protocol_id",),
                how="label",
                kind="protocol",
            ),
            _whole("seq", "Number", "protocol_stage.seq", required=True, minimum=0),
            _words("phase", "Phase", "protocol_stage.phase", _PHASES),
            _number("duration_s", "Duration", "protocol_stage.duration_s", unit="s", minimum=0),
            *(_quantity(name, _of("protocol_stage", name)) for name in (*_LOADS, "cadence_per_min")),
            _number("ramp_w_per_min", "Rise of work rate", "protocol_stage.ramp_w_per_min", unit="W/min"),
        ),
        ("protocol_id", "seq"),
        (_PROTOCOL,),
    ),
    Table(
        "tests",
        "Tests",
        "One row a test, void and planned ones too: look at `status` first.",
        (
            _id("test_id", "Test", "test", "exercise_test.public_id"),
            _id("visit_id", "Visit", "visit", "exercise_test.visit_id"),
            _id("subject_id", "Subject", "subject", ""),
            _words(
                "status",
                "Status",
                "exercise_test.status",
                ("planned", "recording", "complete", "void"),
                required=True,
            ),
            _words("mode", "Mode", "exercise_test.mode", _MODES, required=True),
            _words("shape", "Shape of the load", "exercise_test.shape", _SHAPES),
            _words("purpose", "Purpose", "exercise_test.purpose", _PURPOSES, required=True),
            _id(
                "verifies_test_id",
                "Verifies",
                "test",
                "exercise_test.verifies_test_id",
                required=False,
                description="The test that this verification bout belongs to.",
            ),
            Column(
                "protocol_id",
                "string",
                "Protocol",
                "Id in `protocols`.",
                known=tuple(STANDARD_PROTOCOLS),
                of=("exercise_test.protocol_key",),
                how="label",
                kind="protocol",
            ),
            Column(
                "started_at",
                "datetime",
                "Begin of the test",
                "In UTC.",
                of=("exercise_test.started_at",),
                profiles=_CODED,
            ),
            _number("exercise_start_s", "Begin of exercise", "exercise_test.exercise_start_s", unit="s"),
            _number("exercise_end_s", "End of exercise", "exercise_test.exercise_end_s", unit="s"),
            _words("stop_reason", "Why it was ended", "exercise_test.stop_reason", _STOP_REASONS),
            _text("stop_note", "Note on the end", "exercise_test.stop_note"),
            _words("interface", "Interface", "exercise_test.interface", ("mask", "mouthpiece")),
            _flag("handrail_support", "Handrail was held", "exercise_test.handrail_support"),
            _number(
                "fio2_fraction", "Inspired O2 fraction", "exercise_test.fio2_fraction", ucum="1", minimum=0
            ),
            _flag("recovery_active", "Recovery was active", "exercise_test.recovery_active"),
            _text("recovery_posture", "Posture in recovery", "exercise_test.recovery_posture"),
            _text("posture", "Posture", "exercise_test.posture"),
            _text("ergometer", "Ergometer", "exercise_test.ergometer"),
            _text("analyser", "Analyser", "exercise_test.analyser"),
            _text("lactate_sample_site", "Lactate taken from", "exercise_test.lactate_sample_site"),
            _text("lactate_analyser", "Lactate analyser", "exercise_test.lactate_analyser"),
            Column(
                "field_inputs",
                "object",
                "Inputs of a field test",
                "JSON; names and units as in the catalogue of methods.",
                of=("exercise_test.field_inputs",),
                profiles=_CODED,
            ),
            _text("reason_for_test", "Reason for the test", "exercise_test.reason_for_test"),
            _words("rpe_scale", "Scale of exertion shown", "exercise_test.rpe_scale", ("6-20", "0-10")),
            _flag("ecg_recorded", "An ECG was recorded", "exercise_test.ecg_recorded"),
            _text("ecg_read_by", "ECG read by", "exercise_test.ecg_read_by"),
            _text("ecg_reading", "What was read in the ECG", "exercise_test.ecg_reading"),
            _text("notes", "Notes", "exercise_test.notes"),
            _text("source_sha256", "SHA-256 of the file", "exercise_test.source_hash"),
            _text(
                "source_name",
                "Name of the file",
                "exercise_test.source_name",
                profiles=_IDENTIFIED,
                description="A name of a file often holds that of a person.",
            ),
            Column(
                "source_options",
                "object",
                "How the file was to be read",
                "JSON.",
                of=("exercise_test.source_options",),
                profiles=_CODED,
            ),
            Column(
                "source_columns",
                "object",
                "What became of each column of the file",
                'JSON: {"columns": [...]} with header, quantity, unit and factor.',
                of=("exercise_test.source_columns",),
                profiles=_CODED,
            ),
        ),
        ("test_id",),
        (_VISIT, _SUBJECT, ForeignKey("verifies_test_id", "tests", "test_id"), _PROTOCOL),
    ),
    Table(
        "intervals",
        "Intervals",
        "What was measured in each interval or breath, raw. What was taken out by hand stands in `exclusions`.",
        (
            _id("test_id", "Test", "test", "interval.test_id"),
            Column(
                "seq",
                "integer",
                "Number",
                "From 0, in the order of time.",
                required=True,
                minimum=0,
                of=("interval.seq",),
            ),
            _number("end_s", "End of the interval", "interval.end_s", unit="s", required=True),
            _number("duration_s", "Duration", "interval.duration_s", unit="s", required=True, minimum=0),
            _words("phase", "Phase", "interval.phase", _PHASES),
            _whole("stage", "Stage", "interval.stage"),
            *(_quantity(name, _of("interval", name)) for name in STORED_CHANNELS),
            *(_quantity(name, _of("interval_extra", name)) for name in EXTRA_CHANNELS),
        ),
        ("test_id", "seq"),
        (_TEST,),
    ),
    Table(
        "exclusions",
        "Decisions on intervals",
        "Intervals that were taken out by hand, or kept although a rule would leave them out.",
        (
            _id("test_id", "Test", "test", "exclusion.test_id"),
            _whole("seq", "Number of the interval", "exclusion.seq", required=True, minimum=0),
            _flag("excluded", "Taken out", "exclusion.excluded"),
            _text("by", "By", "exclusion.by"),
            _text("reason", "Reason", "exclusion.reason"),
            Column("at", "datetime", "Decided", "In UTC.", of=("exclusion.at",), profiles=_CODED),
        ),
        ("test_id", "seq"),
        (_TEST,),
    ),
    Table(
        "stage_notes",
        "Stage notes",
        "What was written down at the stages.",
        (
            _id("test_id", "Test", "test", "stage_note.test_id"),
            _whole("seq", "Number", "stage_note.seq", required=True, minimum=0),
            _whole("stage", "Stage", "stage_note.stage"),
            _words("phase", "Phase", "stage_note.phase", _PHASES),
            _number("time_s", "Time", "stage_note.time_s", unit="s"),
            *(_quantity(name, _of("stage_note", name)) for name in (*_LOADS, *_NOTED)),
            _words("rpe_scale", "Scale of the ratings", "stage_note.rpe_scale", _SCALES),
            _text("symptoms", "Symptoms", "stage_note.symptoms"),
            _text("note", "Note", "stage_note.note"),
        ),
        ("test_id", "seq"),
        (_TEST,),
    ),
    Table(
        "recording_marks",
        "Marks of the recording",
        "When the clock of a test was started, when a stage began or was held, and when exercise ended.",
        (
            _id("test_id", "Test", "test", "recording_mark.test_id"),
            _whole("seq", "Number", "recording_mark.seq", required=True, minimum=0),
            _words("kind", "What happened", "recording_mark.kind", _MARKS, required=True),
            Column("at", "datetime", "When", "In UTC.", of=("recording_mark.at",), profiles=_CODED),
            _words("phase", "Phase", "recording_mark.phase", _PHASES),
            _whole("stage", "Stage", "recording_mark.stage"),
            *(_quantity(name, _of("recording_mark", name)) for name in _LOADS),
            _words("stop_reason", "Reason for stopping", "recording_mark.stop_reason", _STOP_REASONS),
            _text("stop_note", "Note on the stop", "recording_mark.stop_note"),
            _flag("counts", "Counts", "recording_mark.counts", description="False once it was taken back."),
            _text("by", "By", "recording_mark.by"),
        ),
        ("test_id", "seq"),
        (_TEST,),
    ),
    Table(
        "reported_results",
        "Reported results",
        "Results that came without intervals.",
        (
            _id("test_id", "Test", "test", "reported_result.test_id"),
            _quantity_of("reported_result.quantity"),
            _number("value", "Value", "reported_result.value", required=True, description=_VALUE),
            _UNIT_COLUMN,
            _text("method", "Method", "reported_result.method"),
            _text("source", "Source", "reported_result.source"),
        ),
        ("test_id", "quantity"),
        (_TEST, _OF_REGISTRY),
    ),
    Table(
        "calibrations",
        "Calibrations",
        "Checks against a known gas or volume, before and after a test.",
        (
            _id("test_id", "Test", "test", "calibration.test_id"),
            _whole("seq", "Number", "calibration.seq", required=True, minimum=0),
            _words("moment", "When", "calibration.moment", ("before", "after")),
            _words("kind", "Kind", "calibration.kind", ("gas", "volume")),
            _number("expected", "Expected", "calibration.expected", description="In `unit`."),
            _number("measured", "Measured", "calibration.measured", description="In `unit`."),
            Column(
                "unit", "string", "Unit", "As written.", known=_CALIBRATION_UNITS, of=("calibration.unit",)
            ),
            _text("device", "Device", "calibration.device"),
        ),
        ("test_id", "seq"),
        (_TEST,),
    ),
    Table(
        "tester_thresholds",
        "Thresholds set by a tester",
        "The tester's own thresholds, beside the computed ones.",
        (
            _id("test_id", "Test", "test", "tester_threshold.test_id"),
            _words(
                "threshold", "Threshold", "tester_threshold.threshold", ("vt1", "vt2", "lt"), required=True
            ),
            _quantity("vo2_ml_min", "tester_threshold.vo2_ml_min"),
            _number("time_s", "Time", "tester_threshold.time_s", unit="s"),
            _text("by", "By", "tester_threshold.by"),
            _text("reason", "Reason", "tester_threshold.reason"),
            Column("at", "datetime", "Decided", "In UTC.", of=("tester_threshold.at",), profiles=_CODED),
        ),
        ("test_id", "threshold"),
        (_TEST,),
    ),
    Table(
        "analyses",
        "Analyses",
        "Version, settings and verdicts of the analysis of each complete test.",
        (
            _id("test_id", "Test", "test", "analysis.test_id"),
            Column(
                "analysis_version",
                "string",
                "Version of the analysis",
                "The same intervals may give other results in another version: cite it.",
                required=True,
                of=("analysis.analysis_version",),
                how="as_is",
                kind="version",
            ),
            _words(
                "peak_convention",
                "Averaging of the peak",
                "analysis.settings",
                ("time_weighted", "moving_seconds", "consecutive_bins", "moving_breaths", "trimmed_breaths"),
            ),
            _number("peak_window_s", "Window of the peak", "analysis.settings", unit="s"),
            _whole("peak_window_breaths", "Window of the peak, breaths", "analysis.settings"),
            _label("effort_rules", "Effort rules", "rules", "analysis.settings", known=tuple(RULE_SETS)),
            _text("plateau_rule", "Plateau rule", "analysis.settings", description="Empty: by the shape."),
            Column(
                "heart_rate_max_method",
                "string",
                "Prediction of maximal heart rate",
                known=tuple(METHODS),
                of=("analysis.settings",),
            ),
            Column(
                "aberrant_breaths",
                "string",
                "Rule that leaves out single breaths",
                of=("analysis.settings",),
                kind="words of the program",
            ),
            Column(
                "chosen_by",
                "object",
                "Who chose a setting",
                "JSON: request, cohort or site by the name of the setting; one that is not named is the program's default.",
                of=("analysis.settings",),
                profiles=_CODED,
            ),
            _words("peak_basis", "What the peak is", "analysis.document", _BASES),
            _words("peak_label", "Name the peak deserves", "analysis.document", ("VO2max", "VO2peak")),
            _words("effort_verdict", "Verdict on effort", "analysis.document", _EFFORTS),
            _words(
                "plateau_verdict",
                "Verdict on the plateau",
                "analysis.document",
                ("seen", "not_seen", "not_assessable"),
            ),
            _text("input_sha256", "SHA-256 of what it rests on", "analysis.input_hash"),
            Column(
                "computed_at",
                "datetime",
                "Computed",
                "In UTC.",
                of=("analysis.computed_at",),
                profiles=_CODED,
            ),
        ),
        ("test_id",),
        (_TEST,),
    ),
    Table(
        "results",
        "Results",
        "One result a row: of a test, or of a visit alone (mass, resting values, other measurements).",
        (
            _whole("result_no", "Number", required=True, minimum=1, description="Of this export alone."),
            _id("subject_id", "Subject", "subject", "result.subject_id"),
            _id("visit_id", "Visit", "visit", "result.visit_id"),
            _id("test_id", "Test", "test", "result.test_id", required=False),
            _quantity_of("result.quantity"),
            _number("value", "Value", "result.value", required=True, description=_VALUE),
            _UNIT_COLUMN,
            Column(
                "method",
                "string",
                "Method",
                of=("result.method",),
                profiles=_CODED,
            ),
            Column(
                "method",
                "string",
                "Method",
                "Empty where it was told with a reported result.",
                of=("result.method",),
                profiles=_DEIDENTIFIED,
                key="own_method",
                kind="words of the program",
            ),
            Column(
                "method_version",
                "string",
                "Version of the analysis",
                of=("result.method_version",),
                kind="version",
            ),
            *_when("date", "date", "Date", "result.date", "day"),
            _words("mode", "Mode", "result.mode", _MODES),
            _words("basis", "Basis", "result.basis", _BASES, required=True),
            _label(
                "protocol_family",
                "Family of the protocol",
                "family",
                "result.protocol_family",
                known=_FAMILIES,
            ),
            _words("effort", "Effort of the test", "result.effort", _EFFORTS),
            _words(
                "convention",
                "Averaging",
                "result.convention",
                ("time_weighted", "moving_seconds", "consecutive_bins", "moving_breaths", "trimmed_breaths"),
            ),
            _number("effective_window_s", "Window that was averaged", "result.effective_window_s", unit="s"),
            _number("rer", "Highest exchange ratio of the test", "result.rer", ucum="1"),
            _flag(
                "has_error",
                "An error was found",
                "result.has_error",
                description="Such a value is not counted in change and trend.",
            ),
        ),
        ("result_no",),
        (_SUBJECT, _VISIT, _TEST, _OF_REGISTRY),
    ),
    Table(
        "findings",
        "Findings",
        "Remarks on a file or test; the guide says what each code means and what to do.",
        (
            _id("test_id", "Test", "test", ""),
            _whole("seq", "Number", required=True, minimum=0),
            Column("code", "string", "Code", required=True, known=tuple(FINDINGS), of=("analysis.document",)),
            _words("severity", "Severity", "analysis.document", ("info", "warning", "error"), required=True),
            _text("message", "Message", "analysis.document", "exercise_test.source_findings"),
            _whole("first_seq", "First interval", "analysis.document"),
            _whole("last_seq", "Last interval", "analysis.document"),
            _whole("row", "Row of the file", "analysis.document", profiles=_CODED),
            _text("column", "Column of the file", "analysis.document"),
        ),
        ("test_id", "seq"),
        (_TEST,),
    ),
    Table(
        "norms_used",
        "Reference values used",
        "Where the peak of each test stands in each reference table of its mode, or why it has no place there.",
        (
            _id("test_id", "Test", "test", ""),
            Column(
                "norm_id",
                "string",
                "Reference",
                "Id of a reference table or of a method.",
                required=True,
                known=_NORMS,
                of=("analysis.document",),
                how="label",
                kind="norm",
            ),
            _words("reference", "Kind", "analysis.document", _REFERENCES),
            *(
                Column(
                    name,
                    "number",
                    title,
                    unit=unit,
                    ucum=unit or "1",
                    of=("analysis.document",),
                    tells_age=True,
                )
                for name, title, unit in (
                    ("percentile", "Percentile", ""),
                    ("percentile_low", "Percentile, lowest", ""),
                    ("percentile_high", "Percentile, highest", ""),
                    ("percent_of_median", "Per cent of the median", "%"),
                )
            ),
            Column(
                "bound",
                "string",
                "Beyond the table",
                known=("below", "above"),
                closed=True,
                of=("analysis.document",),
                tells_age=True,
            ),
            # Worked out from the exact age, which they would tell.
            _number(
                "percent_of_predicted",
                "Per cent of predicted",
                "analysis.document",
                unit="%",
                profiles=_CODED,
            ),
            _number("z", "z score", "analysis.document", ucum="1", profiles=_CODED),
            Column(
                "age_band",
                "string",
                "Age band of the table",
                of=("analysis.document",),
                how="age_band",
                tells_age=True,
            ),
            Column(
                "n", "integer", "People in the band", of=("analysis.document",), minimum=0, tells_age=True
            ),
            _text("reason", "Reason", "analysis.document"),
            _text("population", "Whom it covers", "analysis.document"),
            _text("source", "Source", "analysis.document"),
        ),
        ("test_id", "norm_id"),
        (_TEST,),
    ),
    Table(
        "events",
        "Events",
        "What happened to a person, or (without a subject) to the site, on the time line of the tests.",
        (
            _id("event_id", "Event", "event", "event.public_id"),
            _id("subject_id", "Subject", "subject", "event.subject_id", required=False),
            _words("kind", "Kind", "event.kind", _EVENTS, required=True),
            *_when("started_on", "date", "Begin", "event.started_on", "started_day"),
            *_when("ended_on", "date", "End", "event.ended_on", "ended_day"),
            _text("title", "Title", "event.title"),
            _text("device", "Device", "event.device"),
            _text("notes", "Notes", "event.notes"),
        ),
        ("event_id",),
        (_SUBJECT,),
    ),
)

#: The table about the tables; its rows are made from the rest.
DICTIONARY = Table(
    "data_dictionary",
    "Data dictionary",
    "Every column of every table of this export.",
    (
        Column("table", "string", "Table", required=True),
        Column("column", "string", "Column", required=True),
        Column("type", "string", "Type", required=True),
        Column("title", "string", "Title", required=True),
        Column("description", "string", "Description"),
        Column("unit", "string", "Unit as printed"),
        Column("ucum", "string", "UCUM code"),
        Column("loinc", "string", "LOINC code", "Only where the code was verified."),
        Column("required", "boolean", "Never missing", required=True),
        Column("values", "string", "Words it may hold", "Separated by semicolons."),
    ),
    ("table", "column"),
)

_READ_BEFORE = "who had read which cautions before the test: an act outside the data"
_ACCESS = "who may do what, not what was measured"
#: What the database has and an export leaves out, with the reason: a column as ``table.column``, or a whole table.
LEFT_OUT: Mapping[str, str] = MappingProxyType(
    {
        "site": "defaults of the site; what an analysis was made with stands in `analyses`",
        "subject.id": "internal key; `subject_id` is the public one",
        "subject.next_test_due_on": "a plan, not a measurement",
        "subject.revision": "counts writes",
        "subject.created_at": "when the row was made, not when anything was measured",
        "visit.id": "internal key; `visit_id` is the public one",
        "visit.cleared_by": "names a member of staff for an act outside the data",
        "protocol.id": "internal key",
        "protocol.created_at": "when the row was made",
        "exercise_test.id": "internal key; `test_id` is the public one",
        "exercise_test.cautions_acknowledged": _READ_BEFORE,
        "exercise_test.cautions_acknowledged_by": _READ_BEFORE,
        "exercise_test.cautions_acknowledged_at": _READ_BEFORE,
        "recording_mark.utc_offset_minutes": "the clock of whoever sent it; `at` is in UTC",
        "interval_extra.test_id": "shown as the same row of `intervals`",
        "interval_extra.seq": "shown as the same row of `intervals`",
        "conclusion": "a signed text to a person, which belongs to the report",
        "analysis.site_revision": "counts changes of the site",
        "result.id": "internal key",
        "result.occurred_at": "the same moment as `visits.started_at`",
        "cohort.id": "internal key; `cohort_id` is the public one",
        "cohort.revision": "counts writes",
        "cohort.created_at": "when the row was made",
        "loaded_norm": "a reference table of the site, served by /v1/norms; `norms_used` names it",
        "effort_rule_set": "a rule set of the site, served by the interface; `analyses` names it",
        "event.id": "internal key; `event_id` is the public one",
        "event.created_at": "when the row was made",
        "consent": "what a person allowed is for the site to look after; those who withdrew are left out",
        "restriction": "those whose data are restricted are left out",
        "control_measurement": "control of the equipment, not data of a cohort",
        "signed_link": _ACCESS,
        "api_key": _ACCESS,
        "api_key_subject": _ACCESS,
        "web_session": _ACCESS,
        "idempotency": "answers kept for repeated requests",
        "change": "the audit",
        "change_payload": "the audit",
    }
)


def tables_of(profile: Profile) -> tuple[Table, ...]:
    """The tables that a profile has, in the order in which they are written."""
    return tuple(table for table in TABLES if profile in table.profiles)


def quantity_rows() -> list[dict[str, Any]]:
    """The registry as rows of the table of quantities."""
    return [
        {
            "quantity": one.key,
            "label": one.label,
            "unit": one.unit,
            "ucum": one.ucum,
            "loinc": one.loinc,
            "decimals": one.decimals,
        }
        for one in QUANTITIES.values()
    ]


def dictionary_rows(profile: Profile) -> list[dict[str, Any]]:
    """Every column of every table of a profile, as rows of the data dictionary."""
    return [
        {
            "table": table.name,
            "column": column.name,
            "type": column.type,
            "title": column.title,
            "description": column.description,
            "unit": column.unit,
            "ucum": column.ucum,
            "loinc": column.loinc,
            "required": column.required,
            "values": "; ".join(column.known) if column.closed else None,
        }
        for table in (*tables_of(profile), DICTIONARY)
        for column in table.of_profile(profile)
    ]
