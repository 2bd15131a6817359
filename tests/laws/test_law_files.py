"""Is a law file of the user's own read, and is every fault of it named with the file?"""

from __future__ import annotations

import math

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
    ('"exp(-maximum(u - w, 0))"', '"2*exp(-u*w)"', "is 2 at dose 0; a law is 1 there"),
    ('"exp(-maximum(u - w, 0))"', '"1 + 0*w*log(u)"', "is not finite at u = 0"),
    ('"exp(-maximum(u - w, 0))"', '"1 + u*w"', "rises somewhere"),
    ('"exp(-maximum(u - w, 0))"', '"0.3 + 0.7*exp(-u*w)"', "stays above 0"),
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
    ('use = "A test."', 'use = "t"\ninvers = "1 - q"', 'did you mean "inverse"'),
    ("reason =", "reasons =", 'did you mean "reason"'),
    ("[shape.w]", "[shape.exp]", "'exp' is the name of a function"),
    ("[shape.w]", "[shape.pi]", "'pi' is the name of a function or number"),
    ("[shape.w]", "[shape.__w]", "begins with an underscore"),
    ("[shape.w]", "[shape.lambda]", "'lambda' is not a name"),
    ("[shape.w]", '[shape."two words"]', "'two words' is not a name"),
    ("[shape.w]", "[shape.unexposed]", "has the name of the dose"),
    ("u - w, 0", "u - 0.1, 0", "does not use the shape 'w'"),
    ("monotone = true", "monotone = false", '"half_loss" is missing'),
    ("reaches_zero = true", "reaches_zero = false", '"half_loss" is missing'),
    ('use = "A test."', 'use = "t"\nhalf_loss = "w"', '"half_loss" gives u = '),
    ('use = "A test."', 'use = "t"\nhalf_loss = "q"', "name 'q' is not declared"),
    ('use = "A test."', 'use = "t"\nplateau = "0.2"', '"plateau" is 0.2, but the curve comes'),
    ("sd_log = 0.5", "sd_log = 1" + "0" * 400, '"shape.w.sd_log" must be a number above 0'),
    ("exp(-maximum(u - w, 0))", "exp(-maximum(dose - w*scale, 0))", "is not dose-scaled"),
    ("exp(-maximum(u - w, 0))", "exp(-maximum(dose/scale - w, 0)*dose/u)", "'u' is not declared"),
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


def test_a_law_in_dose_and_scale_is_the_law_in_scaled_dose(write):
    law = read_law(write(GOOD.replace("u - w", "dose/scale - w")))
    assert law.tape.inputs == ("u", "w")
    u = [0.1, 0.5, 2.0]
    assert law.retained(u).tolist() == read_law(write(GOOD)).retained(u).tolist()


LEVELS_OFF = """\
title = "Fast loss to a level, with a dip"
expression = "c + (1 - c)*exp(-u)*(1 - 0*u)"
half_loss = "log(2)"
plateau = "c"
use = "A test."
limits = "c in the end."
source = "invented"
[holds]
monotone = true
reaches_zero = false
smooth_at_zero = true
[shape.c]
meaning = "what stays"
unit = "1"
lower = 0.01
upper = 0.9
median = 0.3
sd_log = 0.3
reason = "invented"
"""


def test_a_law_that_levels_off_needs_no_closed_inverse(write):
    law = read_law(write(LEVELS_OFF))
    u, exists = law.crossings([0.2, 0.5, 0.9], {"c": 0.4})
    assert exists.tolist() == [False, True, True]
    assert u[1] == pytest.approx(math.log(0.6 / 0.1), rel=1e-9)  # arithmetic
    assert float(law.half_loss({"c": 0.4})) == pytest.approx(math.log(2), rel=1e-12)
    assert not law.always_reaches(0.5)


WAVES = """\
title = "Falls in waves"
expression = "exp(-u)*(1 + 0.9*sin(6*u))"
half_loss = "0.51867"
use = "A test."
limits = "0 in the end."
source = "invented"
[holds]
monotone = false
reaches_zero = true
smooth_at_zero = true
"""


def test_of_several_crossings_the_first_fall_counts(write):
    # e**-u*(1 + 0.9 sin 6u) = 1/2, by bisection between 0.4 and 0.6, where it first falls through
    from scipy.optimize import brentq

    def at(u):
        return math.exp(-u) * (1 + 0.9 * math.sin(6 * u)) - 0.5

    first = brentq(at, 0.4, 0.6, xtol=1e-15)
    assert all(at(first * i / 1000) > 0 for i in range(1000))
    law = read_law(write(WAVES.replace("0.51867", f"{first:.15f}")))
    assert float(law.inverse(0.5)) == pytest.approx(first, rel=1e-9)


def test_a_half_loss_at_a_later_crossing_is_refused(write):
    from scipy.optimize import brentq

    def at(u):
        return math.exp(-u / 5) * (1 + 0.5 * math.sin(6 * u)) - 0.5

    falls = [
        brentq(at, a / 50, (a + 1) / 50, xtol=1e-15)
        for a in range(250)
        if at(a / 50) > 0 >= at((a + 1) / 50)
    ]
    assert len(falls) > 1
    slow = WAVES.replace("exp(-u)*(1 + 0.9*sin(6*u))", "exp(-u/5)*(1 + 0.5*sin(6*u))")
    read_law(write(slow.replace("0.51867", f"{falls[0]:.15f}")))  # the first is taken
    with pytest.raises(LawError, match="not where the curve first falls"):
        read_law(write(slow.replace("0.51867", f"{falls[1]:.15f}")))


def test_all_faults_of_a_file_are_said_at_once_with_the_column_of_the_formula(write):
    bad = GOOD.replace('source = "invented"', "").replace("sd_log = 0.5", "")
    bad = bad.replace("monotone = true", "monotone = 1")
    with pytest.raises(LawError, match="3 faults") as caught:
        read_law(write(bad))
    assert len(caught.value.faults) == 3
    with pytest.raises(LawError) as caught:
        read_law(write(GOOD.replace("u - w, 0", "u - w, 0).x + (1")))
    assert caught.value.column == 6


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


def files_of_the_page() -> list[str]:
    from durability import catalogue

    page = (catalogue.models_folder() / "laws" / "README.md").read_text(encoding="utf-8")
    return [block.split("```")[0] for block in page.split("```toml\n")[1:]]


def test_the_files_that_the_page_shows_are_read(write):
    from durability.laws import Curve, Law, read_law_or_curve

    law, curve = files_of_the_page()
    assert isinstance(read_law_or_curve(write(law)), Law)
    assert isinstance(read_law_or_curve(write(curve)), Curve)


def test_the_page_names_every_function():
    from durability import catalogue
    from durability.laws.expression import FUNCTIONS

    page = (catalogue.models_folder() / "laws" / "README.md").read_text(encoding="utf-8")
    assert all(f"`{name}(" in page for name in FUNCTIONS)


@pytest.mark.parametrize("name", laws())
def test_the_record_of_a_law_holds_what_its_file_holds(name):
    import tomllib

    from durability import catalogue

    record = read_law(name).to_dict()
    with open(catalogue.path("laws", name), "rb") as stream:
        content = tomllib.load(stream)
    assert {k: v for k, v in record.items() if k in content} == content
    assert all(record[k] is None or k in ("name", "shape") for k in set(record) - set(content))
