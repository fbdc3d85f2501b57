"""Puts what the proofs found into the guide: ``python -m tests.proofs.table``, after ``make proof``.

A row a promise: the words, the test that proves it, and the figures of its last full run.
"""

import json
from dataclasses import dataclass
from pathlib import Path

from tests.proofs.conftest import FIGURES

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "service" / "pages" / "guide" / "promises.md"
_BEGIN, _END = "<!-- table of promises: begin -->", "<!-- table of promises: end -->"


@dataclass(frozen=True)
class Promise:
    """One row.

    Attributes
    ----------
    words : str
    test : str
        File, and the function where there are several.
    figures : str
        Name under which the proof puts its figures down; empty where it has none beyond having passed.
    """

    words: str
    test: str
    figures: str = ""


PROMISES = (
    Promise("A write that was answered is there after the program was killed; none is half there or there twice", "tests/proofs/test_kills.py", "nothing-lost"),
    Promise("Many write and read at once without an error of a lock or a lost write (SQLite)", "tests/proofs/test_many_at_once.py", "many-at-once-sqlite"),
    Promise("The same on PostgreSQL", "tests/proofs/test_many_at_once.py", "many-at-once-postgresql"),
    Promise("The answer comes after the commit", "tests/api/test_commit.py"),
    Promise("A change made on an old state is refused", "tests/api/test_etags.py"),
    Promise("A repeated request with its key is done once", "tests/api/test_idempotency.py"),
    Promise("The feed of changes misses nothing and repeats nothing", "tests/api/test_change_feed.py"),
    Promise("A full disk, a read-only, damaged or held record: a clear message and no harm", "tests/db/test_faults.py"),
    Promise("A record of a newer program is refused and left as it is", "tests/db/test_migrations.py::test_a_newer_database_is_refused_unchanged"),
    Promise("A copy made while others write can be put in the place of a lost record", "tests/proofs/test_recovery.py", "recovery"),
    Promise("Copies by the clock are checked, and one that fails takes none away", "tests/backups/test_backups.py"),
    Promise("Every route asks for the key, scope and subject it should", "tests/api/test_keys_and_scopes.py"),
    Promise("A rotated, revoked or expired key ends at once, and what was signed in with it", "tests/api/test_key_use.py"),
    Promise("Broken and hostile files do no harm", "tests/proofs/test_hostile_files.py", "hostile-files"),
    Promise("Broken and hostile JSON does no harm, and no refusal is much larger than what was sent", "tests/proofs/test_hostile_json.py"),
    Promise("Files changed at random are read or refused", "tests/proofs/test_fuzz_files.py", "fuzzed-files"),
    Promise("Any request is answered as the document of the interface says", "tests/proofs/test_any_content.py", "any-request"),
    Promise("The audit has before and after; a change of it shows", "tests/api/test_audit.py"),
    Promise("An erasure leaves no byte of the person", "tests/privacy/test_erasure.py"),
    Promise("A copy for a person has every row about them", "tests/privacy/test_rights.py"),
    Promise("Restricted data go into no export", "tests/privacy/test_rights.py"),
    Promise("A record moves to PostgreSQL and back, every row the same", "tests/moving/test_moving.py"),
    Promise("Told to stop, it finishes the import in flight or undoes it whole", "tests/proofs/test_stopping.py"),
    Promise("The service speaks to no other machine", "tests/api/test_no_connection.py"),
    Promise("No page asks another machine for anything", "tests/browser"),
    Promise("The log has no key, no name, no id and no value of anybody; a key in an address opens nothing", "tests/api/test_log.py"),
    Promise("Whatever the program stands on may be passed on with it", "tests/packaging/test_licences.py"),
    Promise("Numbers for whoever runs the service have no ids and no names", "tests/upkeep/test_metrics.py"),
)  # fmt: skip


def found(promise: Promise) -> str:
    """Figures of the last full run; that it passes with every run of the tests where it has none."""
    if not promise.figures:
        return "passes with every run of the tests"
    place = FIGURES / f"{promise.figures}.json"
    if not place.exists():
        raise SystemExit(f"{place} is not there; run 'make proof' first.")
    told: str = json.loads(place.read_text(encoding="utf-8"))["found"]
    return told


def main() -> None:
    """Write the table anew."""
    text = PAGE.read_text(encoding="utf-8")
    before, after = text.split(_BEGIN)[0], text.split(_END)[1]
    rows = [f"| {one.words} | `{one.test}` | {found(one)} |" for one in PROMISES]
    table = "\n".join(["| Promise | Proof | Last figures |", "| --- | --- | --- |", *rows])
    PAGE.write_text(f"{before}{_BEGIN}\n\n{table}\n\n{_END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
