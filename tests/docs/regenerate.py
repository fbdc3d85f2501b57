"""Writes anew what the documents show: ``python -m tests.docs.regenerate``.

The answers of all console blocks, the charts of the README and the entity diagram of DEVELOPERS.md. The text around
them is written by hand. Names of documents (``README.md importing.md``) do those alone.
"""

import shutil
import sys
import tempfile
from pathlib import Path

from tests.docs.console import IMAGES, ROOT, documents, retold
from tests.docs.diagram import with_current_diagram


def _keep_charts(folder: Path) -> None:
    """Charts of the README's tour stand beside it."""
    for drawn in sorted(folder.glob("*.svg")):
        shutil.copy(drawn, IMAGES / drawn.name)


def main(names: list[str]) -> None:
    """Rewrite the documents named, or all."""
    IMAGES.mkdir(parents=True, exist_ok=True)
    for path in documents():
        if names and path.name not in names:
            continue
        with tempfile.TemporaryDirectory() as folder:
            keep = _keep_charts if path.name == "README.md" else None
            text = retold(path.read_text(encoding="utf-8"), Path(folder), keep)
        path.write_text(text, encoding="utf-8")
        print(f"Wrote {path.relative_to(ROOT)}")  # noqa: T201 a command that says what it did
    developers = ROOT / "DEVELOPERS.md"
    developers.write_text(with_current_diagram(developers.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
