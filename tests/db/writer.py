"""A process of its own that writes: ``python writer.py URL NAME NUMBER [ROWS]``; says after each commit what it has."""

import sys

from service.db.models import Subject, Visit
from service.db.transactions import Store, now
from service.settings import Settings


def write_one(store: Store, code: str, *, rows: int = 3) -> None:
    """One subject with `rows` visits, in one transaction."""
    with store.write("writer") as transaction:
        subject = Subject(code=code, created_at=now(), revision=rows)
        transaction.session.add(subject)
        transaction.session.flush()
        for row in range(rows):
            visit = Visit(subject_id=subject.id, started_at=now(), utc_offset_minutes=0, round=str(row))
            transaction.session.add(visit)
            transaction.session.flush()
            transaction.changed("visit", visit.public_id, action="created", subject_id=subject.public_id)
        transaction.changed("subject", subject.public_id, action="created", subject_id=subject.public_id)


if __name__ == "__main__":
    url, name, number = sys.argv[1:4]
    kept = Store(Settings(database_url=url))
    for turn in range(int(number)):
        write_one(kept, f"{name}-{turn}", rows=int(sys.argv[4]) if len(sys.argv) > 4 else 3)
        sys.stdout.write(f"{turn}\n")
        sys.stdout.flush()
