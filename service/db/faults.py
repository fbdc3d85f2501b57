"""What the database says when it cannot go on, in words for whoever runs the service."""

from sqlalchemy.exc import DBAPIError

from service.errors import RecordUnavailable

#: By the name of SQLite's result code, its extended forms by their beginning.
_OF_SQLITE = {
    "SQLITE_FULL": "The disk of the record is full; nothing was stored. Make room, and repeat what you did.",
    "SQLITE_READONLY": "The file of the record, its folder or its disk does not let itself be written; nothing was stored.",
    "SQLITE_IOERR": "The disk of the record failed; nothing was stored. Look at the disk, then run 'upslope check'.",
    "SQLITE_CORRUPT": "The file of the record is damaged; nothing was stored. Stop the service and restore a copy.",
    "SQLITE_NOTADB": "The file of the record is no database any more; nothing was stored. Stop the service and restore a copy.",
    "SQLITE_CANTOPEN": "The file of the record cannot be opened: it was moved, or cannot be read. Nothing was stored.",
    "SQLITE_BUSY": "Another program has held the record for longer than UPSLOPE_BUSY_TIMEOUT_S; nothing was stored. Try again.",
    "SQLITE_LOCKED": "Another program has held the record for longer than UPSLOPE_BUSY_TIMEOUT_S; nothing was stored. Try again.",
}
#: By the beginning of PostgreSQL's SQLSTATE.
_OF_POSTGRESQL = {
    "53100": _OF_SQLITE["SQLITE_FULL"],
    "53": "The database server is at its limits; nothing was stored. Try again, and look at the server.",
    "25006": "The database can only be read (a replica, or set so); nothing was stored.",
    "57P": "The database server is stopping or starting; nothing was stored. Try again.",
    "08": "The database server cannot be reached; nothing was stored. Try again, and look at the server.",
    "40": "Another write came between; nothing was stored. Try again.",
    "XX00": "The database server reports damage; nothing was stored. Look at the server before anything else.",
}


def unavailable_for(error: DBAPIError) -> RecordUnavailable | None:
    """What to tell of an error of the database; None where it is a fault of ours."""
    origin = error.orig
    name = getattr(origin, "sqlite_errorname", None)
    if name is not None:
        told = next((words for start, words in _OF_SQLITE.items() if name.startswith(start)), None)
        return None if told is None else RecordUnavailable(told)
    state = getattr(origin, "sqlstate", None)
    if state is not None:
        told = next((words for start, words in _OF_POSTGRESQL.items() if state.startswith(start)), None)
        return None if told is None else RecordUnavailable(told)
    if type(origin).__name__ == "OperationalError" or error.connection_invalidated:
        return RecordUnavailable(_OF_POSTGRESQL["08"])
    return None
