"""Sentences that several pages, reports and files say alike; templates know them as `phrases`."""

NO_DIAGNOSIS = "This is not a diagnosis, and it does not decide whether exercise suits a person."
LOCAL_RULES = "Local rules and licensed practice decide."
CAUTIONS_OF_TEST = "Cautions from the record of this test"
LIMITS = "What these numbers do not say"

SO_FAR = "What stands here is worked out from what there is so far."
NO_PLATEAU = "No plateau is normal and fails nobody."
SUBMAXIMAL_PEAK = "Highest oxygen uptake of a submaximal test"
DIFFER_BY = "two tests of the same person differ by chance by"
CHANGED_SINCE_SIGNED = "The analysis has changed since this conclusion was signed."

EMPTY = "What is left empty is not recorded."
ON_ITS_CLOCK = "On the clock of the visit's place."

#: The notice that the licence of LOINC asks of whoever passes its codes on.
LOINC_NOTICE = (
    "This material contains content from LOINC (http://loinc.org). LOINC is copyright © Regenstrief Institute, Inc. and "
    "the Logical Observation Identifiers Names and Codes (LOINC) Committee and is available at no cost under the license "
    "at http://loinc.org/license. LOINC® is a registered United States trademark of Regenstrief Institute, Inc."
)
