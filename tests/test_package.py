"""Is the package quick to import, whole, and free of what belongs to one machine?"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import durability
from durability import catalogue

ROOT = Path(__file__).parents[1]
HEAVY = (
    "arviz", "calamine", "docx", "jinja2", "lifelines", "matplotlib", "numba", "numpy", "nutpie",
    "openpyxl", "pandas", "pvlib", "pydantic", "pymc", "pytensor", "scipy", "xarray",
)  # fmt: skip
MODELS = catalogue.models_folder()


def loaded_by(code: str) -> set[str]:
    """Top-level modules that a fresh Python holds after running the code."""
    shown = "import json, sys; print(json.dumps(sorted({m.split('.')[0] for m in sys.modules})))"
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\n{shown}"], capture_output=True, text=True, check=True
    )
    return set(json.loads(done.stdout.splitlines()[-1]))


def test_importing_the_package_loads_nothing_heavy():
    assert loaded_by("import durability").isdisjoint(HEAVY)


def test_importing_the_commands_loads_nothing_heavy():
    assert loaded_by("import durability.cli").isdisjoint(HEAVY)


def test_a_statement_needs_nothing_heavy():
    code = (
        "from durability import Statement\n"
        "print(Statement(quantity='threshold_dose', unit='h', value=2.0).figures())"
    )
    assert loaded_by(code).isdisjoint(HEAVY)


@pytest.mark.parametrize("name", durability.__all__)
def test_every_name_offered_is_there(name):
    assert getattr(durability, name) is not None
    assert name in dir(durability)


def test_a_name_that_is_not_offered_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'serve'"):
        durability.serve  # noqa: B018


def test_the_package_says_that_it_is_typed():
    assert (ROOT / "durability" / "py.typed").is_file()


def test_the_version_is_written_once():
    with open(ROOT / "pyproject.toml", "rb") as stream:
        project = tomllib.load(stream)["project"]
    assert project.get("version", durability.__version__) == durability.__version__


# the files of the repository


@pytest.fixture(scope="module")
def tracked() -> list[Path]:
    if not (ROOT / ".git").exists():
        pytest.skip("no clone, as in an unpacked archive: git cannot list the tracked files")
    done = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return [ROOT / name for name in done.stdout.split("\0") if name and (ROOT / name).is_file()]


# the homes of one person or machine; the letters are apart so that this file does not match itself
HOMES = "|".join(["ro" + "ot", "ho" + "me", "Us" + "ers", "wo" + "rk", "t" + "mp"])
MACHINE = re.compile(rf"(?<![\w.\]/<])/(?:{HOMES})/|[A-Z]:\\Us" + "ers")


def test_no_file_names_a_path_of_one_machine(tracked):
    found = []
    for file in tracked:
        data = file.read_bytes()
        if b"\0" in data[:4096] or data[:2] == b"\x1f\x8b":
            continue
        text = data.decode("utf-8", errors="replace")
        found += [
            f"{file.relative_to(ROOT)}:{text[: m.start()].count(chr(10)) + 1}"
            for m in MACHINE.finditer(text)
        ]
    assert found == []


def test_the_search_for_machine_paths_finds_one():
    assert MACHINE.search("open('/" + "ro" + "ot/x')")
    assert not MACHINE.search("kJ/{0}/m2 and tests/{0}/x".format("work"))


def test_every_tracked_file_is_of_a_size_to_read(tracked):
    large = [str(f.relative_to(ROOT)) for f in tracked if f.stat().st_size > 2_000_000]
    assert large == []


def test_every_module_opens_with_its_question_and_is_named_for_it(tracked):
    bad = {"utils", "helpers", "common", "base", "manager", "misc"}
    modules = [f for f in tracked if f.suffix == ".py" and f.is_relative_to(ROOT / "durability")]
    assert modules
    assert [f.name for f in modules if f.stem in bad] == []
    without = [
        str(f.relative_to(ROOT))
        for f in modules
        if not f.read_text(encoding="utf-8").startswith(('"""', 'r"""'))
    ]
    assert without == []


# the assumptions


def tables(content: dict, path: tuple[str, ...] = ()):
    """Every table that holds a number of the trade, with where it stands."""
    numbers = {"value", "sd", "log_sd", "sd_log", "scale", "median"}
    if any(isinstance(content.get(k), int | float) for k in numbers):
        yield path, content
    for key, value in content.items():
        if isinstance(value, dict):
            yield from tables(value, (*path, key))


def test_every_file_of_assumptions_is_read():
    kinds = {p.parent.name for p in MODELS.rglob("*.toml")}
    assert kinds == {
        MODELS.name,
        "laws",
        "lamps",
        "materials",
        "methods",
        "sites",
        "sky",
        "spectra",
    }


@pytest.mark.parametrize(
    "file", sorted(MODELS.rglob("*.toml")), ids=lambda p: p.relative_to(MODELS).as_posix()
)
def test_every_number_says_where_it_comes_from(file):
    with open(file, "rb") as stream:
        content = tomllib.load(stream)
    for path, table in tables(content):
        # a shape's prior gives its reason, and where that comes from, in one sentence
        said = table.get("source") or (table.get("reason") if path[:1] == ("shape",) else None)
        assert isinstance(said, str), path
        assert said.strip(), path
    if file.parent.name in ("laws", "lamps", "sites", "sky"):
        assert str(content.get("source", "")).strip()


def test_the_search_for_numbers_finds_those_of_the_priors():
    with open(MODELS / "priors.toml", "rb") as stream:
        found = {path[0] for path, _ in tables(tomllib.load(stream))}
    assert found >= {"threshold_dose", "direction", "strip_spread", "lot_spread_of_threshold"}
