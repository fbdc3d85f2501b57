"""Every citation key used in the service resolves, and none is kept that nobody uses."""

import ast
import re
from functools import cache
from pathlib import Path

import pytest

import service
from service.analysis.references import REFERENCES, citation, cited_keys
from service.methods.catalogue import METHODS

ROOT = Path(service.__file__).parent
BIBLIOGRAPHY = ROOT / "analysis" / "references.py"


def strings(path):
    """Every text of a Python file, docstrings too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


@cache
def used():
    """Citation keys in code, data files and the guide, each with where it was first seen."""
    found = {}
    for path in sorted(ROOT.rglob("*")):
        if path == BIBLIOGRAPHY or not path.is_file():
            continue
        if path.suffix == ".py":
            texts = strings(path)
        elif path.suffix in {".toml", ".md"}:
            texts = [path.read_text(encoding="utf-8")]
        else:
            continue
        for text in texts:
            for key in cited_keys(text):
                found.setdefault(key, path.relative_to(ROOT))
    for reference in REFERENCES.values():
        for key in cited_keys(reference.trust):
            found.setdefault(key, "the bibliography itself")
    return found


def test_every_key_that_is_used_resolves():
    missing = {key: str(path) for key, path in used().items() if key not in REFERENCES}
    assert missing == {}


def test_no_key_is_kept_that_nobody_uses():
    assert sorted(set(REFERENCES) - set(used())) == []


@pytest.mark.parametrize("reference", REFERENCES.values(), ids=lambda reference: reference.key)
def test_a_reference_is_complete(reference):
    assert cited_keys(reference.key) == (reference.key,)
    year = reference.key[-4:]
    assert year in reference.text
    assert reference.text.endswith((".", ")"))
    assert reference.trust
    assert reference.doi is None or re.fullmatch(r"10\.\d{4,}/\S+", reference.doi)
    assert set(reference.as_dict()) == {"key", "text", "doi", "trust"}


def test_a_key_reads_as_its_citation():
    assert citation("tanaka_2001").startswith("Tanaka H")
    assert citation("common practice, no source") == "common practice, no source"
    mixed = citation("hopkins_2001 (athletes 0.9 %)")
    assert mixed.startswith("hopkins_2001 (athletes 0.9 %): Hopkins WG")
    with pytest.raises(KeyError):
        citation("nobody_1900")


def test_ids_of_methods_and_norms_are_not_taken_for_keys():
    for name in (*METHODS, "friend_2015_treadmill", "wagner_2021_cycle"):
        assert cited_keys(name) == ()
