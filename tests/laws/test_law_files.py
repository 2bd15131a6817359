"""Is a law file of the user's own read, and is every fault of it named with the file?"""

from __future__ import annotations

import pytest

from durability.laws import LawError, laws, read_law

GOOD = """\
title = "Delayed exponential"
expression = "exp(-maximum(u - w, 0))"
use = "A test."
limits = "1 until u = w."
source = "invented"

[holds]
monotone = true
reaches_zero = true
smooth_at_zero = true

[shape.w]
meaning = "dose before anything is lost"
unit = "1"
lower = 0.01
upper = 3.0
median = 0.3
sd_log = 0.5
reason = "invented"
"""

# what is put in place of what, and what the message says
FAULTS = [
    ('title = "Delayed exponential"', "", '"title" is missing'),
    ('title = "Delayed exponential"', 'title = " "', '"title" is missing'),
    ('title = "Delayed exponential"', "title = 3", '"title" is missing or not text'),
    ('source = "invented"', "", '"source" is missing'),
    ('use = "A test."', "", '"use" is missing'),
    ('limits = "1 until u = w."', "", '"limits" is missing'),
    ("monotone = true", "", '"holds.monotone" must be true or false'),
    ("monotone = true", 'monotone = "yes"', '"holds.monotone" must be true or false'),
    ("u - w, 0", "u.real, 0", r'"expression": .*column 14: attribute access'),
    ("u - w, 0", "u - v, 0", "name 'v' is not declared"),
    ("u - w, 0", "u - w", "maximum takes 2 arguments"),
    ('"exp(-maximum(u - w, 0))"', '"2*exp(-u)"', "is 2 at dose 0; a law is 1 there"),
    ('"exp(-maximum(u - w, 0))"', '"1 + 0*log(u)"', "is not finite at u = 0"),
    ('"exp(-maximum(u - w, 0))"', '"1 + u"', "rises somewhere"),
    ('"exp(-maximum(u - w, 0))"', '"0.3 + 0.7*exp(-u)"', "stays above 0"),
    ('use = "A test."', 'use = "t"\ninverse = "1 - q"', '"inverse" does not undo'),
    ('use = "A test."', 'use = "t"\ninverse = 3', '"inverse" must be text'),
    ('use = "A test."', 'use = "t"\ninverse = "u"', "\"inverse\": .*name 'u' is not declared"),
    ('use = "A test."', 'use = "t"\nfloor = 0', '"floor" must be a fraction'),
    ('use = "A test."', 'use = "t"\nfloor = nan', '"floor" must be a fraction'),
    ('use = "A test."', 'use = "t"\nfloor = "no"', '"floor" must be a fraction'),
    ("sd_log = 0.5", "sd_log = -1", '"shape.w.sd_log" must be a number above 0'),
    ("sd_log = 0.5", "sd_log = inf", '"shape.w.sd_log" must be a number above 0'),
    ("sd_log = 0.5", "sd_log = nan", '"shape.w.sd_log" must be a number above 0'),
    ("sd_log = 0.5", "sd_log = true", '"shape.w.sd_log" must be a number above 0'),
    ("sd_log = 0.5", "", '"shape.w.sd_log" must be a number above 0'),
    ("median = 0.3", "median = 9.0", '"shape.w.median" must lie between lower and upper'),
    ('meaning = "dose before anything is lost"', "", '"shape.w.meaning" is missing'),
    ("[shape.w]", "[shape.u]", '"shape.u" has the name of the dose'),
    ("[shape.w]", "[shape.q]", '"shape.q" has the name of the dose'),
    ("[holds]", "[holds", "law file own.toml: "),
    ("[holds]", "shape = 3\n[holds]", "law file own.toml: "),
]


@pytest.fixture
def write(tmp_path):
    def to(text: str):
        file = tmp_path / "own.toml"
        file.write_text(text, encoding="utf-8")
        return file

    return to


def test_a_law_file_of_the_users_own_is_read(write):
    law = read_law(write(GOOD))
    assert law.name == "own"
    assert float(law.retained(0.2, {"w": 0.3})) == 1.0
    assert float(law.inverse(0.5, {"w": 0.3})) == pytest.approx(0.3 + 0.693147, abs=1e-6)


def test_a_changed_file_is_read_again(write):
    import os

    file = write(GOOD)
    assert read_law(file).title == "Delayed exponential"
    file = write(GOOD.replace("Delayed exponential", "Late exponential"))
    os.utime(file, ns=(1, 1))
    assert read_law(file).title == "Late exponential"


@pytest.mark.parametrize(("old", "new", "message"), FAULTS, ids=[f[2][:40] for f in FAULTS])
def test_a_fault_is_named_with_the_file(write, old, new, message):
    assert old in GOOD
    with pytest.raises(LawError, match=message) as caught:
        read_law(write(GOOD.replace(old, new, 1)))
    assert "own.toml" in str(caught.value)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("holds = 3", "must be tables"),
        ("shape = 3\n[holds]\nmonotone = true", "must be tables"),
        ("[shape]\nw = 3\n[holds]\nmonotone = true\nreaches_zero = true\nsmooth_at_zero = true",
         r'"shape.w" must be a table'),
    ],
)  # fmt: skip
def test_numbers_in_place_of_tables_are_named(write, table, message):
    with pytest.raises(LawError, match=message):
        read_law(write(GOOD.split("[holds]")[0] + table))


def test_bytes_that_are_no_text_are_named(write, tmp_path):
    (tmp_path / "own.toml").write_bytes(b"title = \xff\xfe")
    with pytest.raises(LawError, match=r"own\.toml"):
        read_law(tmp_path / "own.toml")


def test_a_folder_in_place_of_a_file_is_named(tmp_path):
    (tmp_path / "own.toml").mkdir()
    with pytest.raises(LawError, match=r"own\.toml cannot be read: Is a directory"):
        read_law(tmp_path / "own.toml")


def test_a_missing_file_and_a_misspelt_name_are_named_with_near_spellings(tmp_path):
    with pytest.raises(LookupError, match=r"own\.toml does not exist"):
        read_law(tmp_path / "own.toml")
    with pytest.raises(LookupError, match='did you mean "exponential"'):
        read_law("exponentail")


@pytest.mark.parametrize("name", laws())
def test_the_record_of_a_law_names_its_source(name):
    record = read_law(name).to_dict()
    assert record["source"]
    assert record["use"]
    assert record["limits"]
