"""The intervals of some people written as an export writes them, in a process that has loaded nothing else."""

import re
import sys
from pathlib import Path

from service.db.transactions import Store
from service.exports import queries
from service.exports.workflow import Question, _OneState, _Reading, _silent
from service.outlets.data_package import Folder, write_table
from service.outlets.tables import TABLES
from service.settings import Settings

INTERVALS = next(table for table in TABLES if table.name == "intervals")


def exported(store: Store, people: int, folder: Path) -> int:
    """Write the intervals of the first people of a record as Parquet; how many there were."""
    folder.mkdir(exist_ok=True)
    (folder / "intervals.parquet").unlink(missing_ok=True)
    with store.read() as session:
        reading = _Reading(
            _OneState(store, session),
            session,
            Question(None, "coded", "parquet"),
            queries.subjects_of(session, None)[:people],
            _silent,
        )
        pieces = reading.pieces(INTERVALS)
        return write_table(Folder(folder), INTERVALS, "coded", pieces, "parquet").rows


def main() -> None:
    """Of the record in the environment; print the peak memory in MB, and how many intervals."""
    store = Store(Settings())
    count = exported(store, int(sys.argv[1]), Path(sys.argv[2]))
    store.close()
    # Not what `resource` tells: that is at least the peak of the process that started this one.
    told = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text("ascii"))
    assert told is not None
    sys.stdout.write(f"{int(told[1]) * 1024 / 1e6} {count}\n")


if __name__ == "__main__":
    main()
