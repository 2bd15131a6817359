"""Does the command show a law, a file of the user's own and a free curve, with a picture?"""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from typer.testing import CliRunner

from durability.cli import app
from durability.laws import laws, read_law
from durability.report.law_figure import law_curve, law_figure, law_gallery, save_picture
from durability.terminal import plotted

OWN = """\
title = "Delayed exponential <of our own>"
expression = "exp(-maximum(dose/scale - w, 0))"
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
CURVE = """\
expression = "b1*(1 - exp(-b2*x))"
predictors = ["x"]
[parameter.b1]
[parameter.b2]
lower = 0
"""


def run(*words):
    return CliRunner().invoke(app, ["laws", *(str(w) for w in words)])


def test_the_list_has_a_line_for_each_law():
    shown = run().stdout
    for name in laws():
        assert re.search(rf"^{name} +\S", shown, flags=re.MULTILINE)


@pytest.mark.parametrize("words", [("logistic",), ("show", "logistic")])
def test_a_law_is_shown_with_formula_prior_source_and_picture(words):
    shown = run(*words)
    assert shown.exit_code == 0
    law = read_law("logistic")
    flat = " ".join(shown.stdout.split())
    for text in (law.expression, str(law.inverse_expression), law.shapes[0].reason, law.source):
        assert " ".join(text.split()) in flat
    assert "100 % |*" in shown.stdout


def test_quiet_leaves_the_picture_out():
    assert "100 % |" not in run("show", "linear", "--quiet").stdout


@pytest.mark.parametrize("name", laws())
def test_every_law_is_drawn_as_svg_from_the_command(name, tmp_path):
    file = tmp_path / "law.svg"
    assert run("show", name, "--out", file, "--quiet").exit_code == 0
    text = file.read_text(encoding="utf-8")
    assert "strength left [%]" in text
    assert "dose / dose of half its loss" in text
    assert read_law(name).title in text
    for shape in read_law(name).shapes:
        assert f"{shape.name} = {shape.median:.3g} (median)" in text


def test_a_png_is_a_png_and_all_laws_go_on_one_page(tmp_path):
    one, page = tmp_path / "one.png", tmp_path / "page.PNG"
    assert run("show", "linear", "--out", one).exit_code == 0
    assert run("--out", page).exit_code == 0
    for file in (one, page):
        assert file.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert len(law_gallery([read_law(n) for n in laws()]).axes) >= len(laws())


def test_a_law_of_the_users_own_is_shown_at_once(tmp_path):
    file, out = tmp_path / "own.toml", tmp_path / "own.svg"
    file.write_text(OWN, encoding="utf-8")
    shown = run("show", file, "--out", out)
    assert shown.exit_code == 0, shown.stderr
    assert "dose before anything is lost" in " ".join(shown.stdout.split())
    assert "&lt;of our own&gt;" in out.read_text(encoding="utf-8")


def test_a_free_curve_is_shown_without_picture(tmp_path):
    file = tmp_path / "own.toml"
    file.write_text(CURVE, encoding="utf-8")
    shown = run("show", file, "--json")
    bounds = json.loads(shown.stdout)[0]["parameter"]["b2"]
    assert (bounds["lower"], bounds["upper"]) == (0, None)
    refused = run("show", file, "--out", tmp_path / "x.svg")
    assert refused.exit_code == 2
    assert "has no picture" in refused.stderr


def test_a_fault_of_a_file_is_an_error_of_input(tmp_path):
    file = tmp_path / "own.toml"
    file.write_text(OWN.replace("- w, 0)", "- w, 0).real"), encoding="utf-8")
    shown = run("show", file)
    assert shown.exit_code == 2
    assert re.search(r'own\.toml: "expression": .*column \d+: attribute access', shown.stderr)


def test_a_picture_of_another_kind_or_in_no_place_is_refused(tmp_path):
    figure = law_figure(read_law("linear"))
    with pytest.raises(ValueError, match=r"as \.svg or \.png"):
        save_picture(figure, tmp_path / "law.pdf")
    with pytest.raises(ValueError, match="cannot be written"):
        save_picture(figure, tmp_path / "missing" / "law.svg")


@pytest.mark.parametrize("name", laws())
def test_the_picture_passes_through_half_of_the_loss_at_1(name):
    law = read_law(name)
    dose, left = law_curve(law)
    assert left[0] == pytest.approx(100)
    middle = 50 * (1 + float(law.plateau()))
    assert np.interp(1.0, dose, left) == pytest.approx(middle, abs=1e-6)


def test_the_curve_in_characters_ends_at_its_corners():
    rows = plotted(read_law("linear"), width=41, height=11)
    assert rows[0].startswith("100 % |*")
    assert rows[10].endswith("*" * 21)  # nothing left from twice the dose of half the loss
    assert rows[5][7 + 10] == "*"  # half left at a quarter of the width
