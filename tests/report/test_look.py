"""Labels keep their room at every resolution, and Word columns theirs."""

from __future__ import annotations

import pytest

from durability.report.tables import table
from durability.report.word import TEXT_WIDTH, column_widths


@pytest.mark.parametrize("dpi", [72, 100, 130, 200])
def test_a_long_label_lies_inside_the_picture_at_any_resolution(dpi):
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from durability.report.look import finish, new_figure, style

    with style():
        figure, (axis,) = new_figure(2.0)
        axis.barh([0], [1])
        axis.set_yticks([0], ["what is unexplained between lamp"])
        finish(figure, [])
        figure.set_dpi(dpi)
        canvas = FigureCanvasAgg(figure)
        box = axis.get_yticklabels()[0].get_window_extent(canvas.get_renderer())
    assert box.x0 > 0


def test_columns_fill_the_line_and_none_is_narrower_than_its_longest_word():
    rows = [("A", "machine", "half-normal: " + 30 * "words that go on and on ", "none")]
    widths = column_widths(table("Caption.", ("of", "direction", "why", "source"), rows))
    assert sum(widths) == pytest.approx(TEXT_WIDTH)
    assert widths[2] == max(widths)
    assert widths[1] > 9 * 0.16  # "direction"


def test_too_many_columns_share_the_line():
    head = tuple(f"month{k}" for k in range(30))
    widths = column_widths(table("Caption.", head, [tuple(30 * ["12345"])]))
    assert sum(widths) == pytest.approx(TEXT_WIDTH)
