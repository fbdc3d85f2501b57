"""What the program stands on may be used and passed on with it: the licence of every locked package."""

import re
from importlib import metadata
from pathlib import Path

LOCK = Path(__file__).parents[2] / "requirements.lock"
#: Licences that go with Apache-2.0; MPL-2.0 asks only that changes to its own files are shown.
TAKEN = {
    "0BSD", "Apache-2.0", "BSD", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "ISC", "MIT", "MPL-2.0", "PSF-2.0", "Zlib",
}  # fmt: skip
_IN_WORDS = {
    "Apache Software License": "Apache-2.0",
    "BSD License": "BSD",
    "ISC License (ISCL)": "ISC",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
}


def licences_of(name: str) -> set[str]:
    """As the package states them: an expression, else classifiers, else the one word of its old field."""
    told = metadata.metadata(name)
    if expression := told.get("License-Expression"):
        return set(re.split(r"\s+(?:AND|OR)\s+|[()]", expression)) - {""}
    classified = {
        line.rsplit(" :: ", 1)[-1] for line in told.get_all("Classifier") or () if "License ::" in line
    }
    if classified:
        return {_IN_WORDS.get(one, one) for one in classified}
    return {told.get("License") or "none stated"}


def test_every_locked_package_has_a_licence_that_is_taken():
    names = sorted(set(re.findall(r"^([\w.-]+)==", LOCK.read_text(encoding="utf-8"), re.MULTILINE)))
    assert len(names) > 40
    known = {}
    for name in names:
        try:
            known[name] = licences_of(name)
        except metadata.PackageNotFoundError:
            continue  # of another system or Python
    assert len(known) > 40
    assert {name: told - TAKEN for name, told in known.items() if told - TAKEN} == {}
