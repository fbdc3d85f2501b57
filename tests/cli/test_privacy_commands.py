"""Erasing a person and listing whose data were kept long enough, by command."""

import pytest


@pytest.fixture
def person(migrated, cycle_test):
    migrated("import", cycle_test, "--subject", "a1", "--visit", "2016-01-05", "--mode", "cycle")
    return migrated


def test_a_person_is_erased(person):
    told = person("erase", "a1", "--basis", "asked_by_person", "--yes").stdout
    assert told.startswith("Erased a1: ")
    assert "1 visit" in told
    assert "Copies of the record made before" in told
    assert (
        "no person with the code 'a1'" in person("erase", "a1", "--basis", "other", "--yes", status=1).stderr
    )
    assert person("check").stdout.count("FAILED") == 0


def test_the_code_is_typed_once_more(person):
    refused = person("erase", "a1", "--basis", "other", status=1, typed="a2\n")
    assert "nothing was erased" in refused.stderr
    assert "Erased a1" in person("erase", "a1", "--basis", "other", typed="a1\n").stdout


def test_a_basis_of_ones_own_is_refused(person):
    assert "retention_ended" in person("erase", "a1", "--basis", "why not", status=2).stderr


def test_who_is_due_is_listed(person, monkeypatch):
    assert "UPSLOPE_RETENTION_YEARS" in person("retention", status=1).stderr
    monkeypatch.setenv("UPSLOPE_RETENTION_YEARS", "5")
    assert person("retention").stdout == "a1\t2016-01-05\n"
