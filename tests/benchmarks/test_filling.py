"""A filled record is a record: it passes every check, and no id comes twice."""

import pytest
import sqlalchemy as sa

from service.db.models import ExerciseTest, Interval, Subject, Visit
from service.upkeep.workflow import run_checks
from tests.benchmarks.filling import filled


@pytest.mark.proof
def test_a_filled_record_passes_every_check(tmp_path):
    store = filled(tmp_path, 300)
    assert [outcome for outcome in run_checks(store.settings) if not outcome.passed] == []
    with store.read() as session:
        for model, number in ((Subject, 75), (Visit, 300), (ExerciseTest, 300)):
            ids = session.scalars(sa.select(model.public_id)).all()
            assert len(ids) == len(set(ids)) == number
        counts = session.scalars(sa.select(sa.func.count(Interval.seq)).group_by(Interval.test_id)).all()
    assert sorted(counts) == [60] * 297 + [600] * 3
    store.close()


def test_tests_come_in_hundreds(tmp_path):
    with pytest.raises(ValueError, match="hundreds"):
        filled(tmp_path, 150)
