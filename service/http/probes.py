"""What the probes of a process answer: /healthz and /readyz."""

from collections.abc import Callable

from service import __version__
from service.db.migrate import schema_state
from service.settings import Settings


def health() -> dict[str, str]:
    """That the process answers."""
    return {"status": "ok", "version": __version__}


def readiness(settings: Settings, touch: Callable[[], object] = lambda: None) -> tuple[int, dict[str, str]]:
    """Status and body: whether the database can be used by this program.

    Parameters
    ----------
    settings : Settings
    touch : callable
        Uses the database once more, in the way that requests do.
    """
    try:
        state = schema_state(settings)
        touch()
    except Exception as error:  # noqa: BLE001 whatever it is, the service is not ready
        return 503, {"status": "not ready", "reason": type(error).__name__}
    if state.current != state.newest:
        return 503, {
            "status": "not ready",
            "reason": "the schema is not the newest; run 'upslope migrate'",
        }
    return 200, {"status": "ready"}
