"""Run one server in a process of its own, small enough for tests; ended by its parent."""

import json
import sys
from pathlib import Path

import uvicorn

from warmhold.web.app import make_app
from warmhold.web.settings import Settings


def main() -> None:
    given = json.loads(sys.argv[1])
    settings = Settings(folder=Path(given.pop("folder")), **given)
    uvicorn.run(
        make_app(settings),
        host=settings.host,
        port=settings.port,
        log_level="error",
        access_log=False,
        server_header=False,
        proxy_headers=False,
    )


if __name__ == "__main__":
    main()
