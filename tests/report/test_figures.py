"""Figures show the data with the fit, with units, and draw what the statements say."""

from __future__ import annotations

import html
import re
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from durability.inference.bands import bands
from durability.report import figures
from durability.report.chamber_figure import chamber_record

PNG = b"\x89PNG\r\n\x1a\n"


def test_every_figure_has_units_on_its_axes_and_is_not_empty(
    quarry: SimpleNamespace, cycles: SimpleNamespace
) -> None:
    for report in (quarry, cycles):
        for p in report.drawn:
            axes = p.figure.axes
            labels = [text for a in axes for text in (a.get_xlabel(), a.get_ylabel())]
            assert any(re.search(r"\[.+\]", x) for x in labels), p.name
            assert all("[" in x for x in labels if x not in ("", "month of laying")), p.name
            png = p.png(60)
            assert png.startswith(PNG) and len(png) > 3000
            assert p.caption.endswith(".") and len(p.alternative) > 30


def test_every_strip_is_drawn(quarry: SimpleNamespace) -> None:
    fit = quarry.results.fit
    figure = figures.strength_by_dose(fit, "A", "X1")
    drawn = sum(
        np.size(line.get_xdata())
        for axis in figure.axes
        for line in axis.lines
        if line.get_linestyle() == "None"
    )
    assert drawn == int((fit.study.rows["material"] == "A").sum())


def test_edges_of_the_bands_cross_the_threshold_at_the_interval_stated(
    quarry: SimpleNamespace,
) -> None:
    results = quarry.results
    for of in ("mean", "new_lot"):
        s = results.statements.one(
            quantity="threshold_dose", of=of, material="A", direction="machine", exposure="X1",
            fraction=0.5,
        )  # fmt: skip
        at = np.array([s.low, s.value, s.high])
        start = results.fit.unexposed_draws("A", "machine")
        band = bands(results.fit, at, material="A", direction="machine", exposure="X1")
        share = band.sel(of=of).values / np.median(start)
        # the unexposed strength is uncertain too, so the crossing is close, not exact
        assert share[0, 0] == pytest.approx(0.5, abs=0.05)
        assert share[1, 1] == pytest.approx(0.5, abs=0.02)
        assert share[2, 2] == pytest.approx(0.5, abs=0.05)


def test_intervals_are_drawn_where_the_statements_are(quarry: SimpleNamespace) -> None:
    said = quarry.results.statements.where(quantity="threshold_dose", fraction=0.5)
    (axis,) = figures.threshold_intervals(said).axes
    ends = {
        tuple(np.round(np.asarray(x.get_xdata(), float), 6))
        for x in axis.lines
        if np.size(x.get_xdata()) == 2
    }
    assert ends == {(round(s.low, 6), round(s.high, 6)) for s in said}


def test_bounds_are_arrows_that_point_away_from_the_bound(marine: SimpleNamespace) -> None:
    said = marine.results.statements.where(lambda s: s.is_bound, quantity="threshold_dose")
    (axis,) = figures.threshold_intervals(said).axes
    arrows: Any = axis.texts
    for arrow, s in zip(arrows, said, strict=True):
        start, tip = arrow.xyann[0], arrow.xy[0]
        assert start == pytest.approx(s.low if s.low is not None else s.high)
        assert (tip > start) == (s.low is not None)


def test_no_curve_is_drawn_where_the_fit_failed(failed: SimpleNamespace) -> None:
    (axis,) = figures.strength_by_dose(failed.results.fit, "geocomposite", "UV").axes
    assert not [x for x in axis.lines if np.size(x.get_xdata()) == 56]


def test_svg_text_is_escaped_and_holds_no_address(hostile: SimpleNamespace) -> None:
    for p in hostile.drawn:
        svg = p.svg()
        assert "<script" not in svg and "http" not in svg
        assert "&lt;script&gt;" in svg


def test_nothing_to_draw_is_said(cycles: SimpleNamespace) -> None:
    with pytest.raises(ValueError, match="no days to cover"):
        figures.days_by_month(cycles.results.statements, fraction=0.5, of="new_lot")
    with pytest.raises(ValueError, match="no chamber record"):
        chamber_record(cycles.results.study.exposures["UV"])
    with pytest.raises(ValueError, match="no threshold dose"):
        figures.threshold_intervals([])


def test_pointing_at_a_mark_tells_its_strip_or_its_statement(quarry: SimpleNamespace) -> None:
    drawn = {p.name: p.svg() for p in quarry.drawn}
    said = {s.id: s for s in quarry.results.statements}
    strips = int((quarry.results.study.rows["material"].values == "B").sum())
    assert drawn["strength-1-0"].count("</title></use>") >= strips - 3  # a single mark has its own
    assert drawn["strength-1-0"].count("<title>") == strips
    assert "cut at a slant" in drawn["strength-0-0"]
    for name, quantities in (("thresholds", {"threshold_dose"}),
                             ("days", {"days_to_cover", "outdoor_days"})):  # fmt: skip
        quoted = re.findall(r'data-statement="([^"]+)"[^>]*><title>([^<]*)</title>', drawn[name])
        assert quoted and {said[html.unescape(i)].quantity for i, _ in quoted} == quantities
        for i, words in quoted:
            assert html.unescape(words).endswith(said[html.unescape(i)].figures())
