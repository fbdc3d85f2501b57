"""A service that is started again within milliseconds: ``python -m tests.proofs.nursery DATABASE_URL PORT``.

The program is loaded once; each line on standard input forks a process that serves, and answers its number.
"""

import os
import sys

import uvicorn

from service.app import configure_logging, create_app
from service.settings import Settings


def main(url: str, port: int) -> None:
    """Serve anew for each line, until standard input ends."""
    configure_logging("error")
    app = create_app(Settings(database_url=url))
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    child = 0
    for _ in sys.stdin:
        if child:
            os.waitpid(child, 0)
        child = os.fork()
        if child == 0:
            uvicorn.run(app, port=port, log_level="critical", access_log=False)
            os._exit(0)
        sys.stdout.write(f"{child}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
