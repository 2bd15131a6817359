"""The figure shows every bracket, both curves and its units."""

from __future__ import annotations

import numpy as np
import pytest

from durability.inference.crossing import fit_crossings
from durability.report.crossing_figure import crossing_curve

LOW = np.array([0.0, 10.0, 20.0, 20.0, 30.0, 25.0, 40.0])
HIGH = np.array([10.0, 20.0, 30.0, 30.0, 40.0, 25.0, np.inf])


@pytest.mark.parametrize("fitted", [True, False])
def test_every_bracket_is_drawn_and_the_axes_have_units(fitted):
    fit = fit_crossings(LOW, HIGH, start="own") if fitted else None
    figure = crossing_curve(LOW, HIGH, fit=fit, unit="h")
    top, bottom = figure.axes
    assert bottom.get_xlabel() == "dose [h]" and "[1]" in top.get_ylabel()
    bars = {
        tuple(np.asarray(line.get_xdata(), dtype=float))
        for line in bottom.lines
        if np.size(line.get_xdata()) == 2
    }
    end = top.get_xlim()[1]
    assert bars == {(0, 10), (10, 20), (20, 30), (30, 40), (40, end)}
    assert [t.get_text() for t in bottom.texts] == ["2"]
    named = [t.get_text() for t in figure.legends[0].get_texts()]
    assert any("Turnbull" in n for n in named)
    assert any("weibull" in n for n in named) == fitted
    if fitted:  # the curve drawn is the fit's own
        drawn = next(line for line in top.lines if line.get_linestyle() == "--")
        curve = fit.holding(drawn.get_xdata())["holding"].values
        assert drawn.get_ydata() == pytest.approx(curve)


def test_what_the_brackets_do_not_tell_is_shaded():
    figure = crossing_curve(LOW, HIGH)
    regions = figure.axes[0].collections
    assert len(regions) >= 4
