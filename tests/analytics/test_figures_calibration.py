"""The backtest's figure: what is drawn is what was found, with the counts beneath."""

import io

import pytest

from analytics.backtest import judge
from analytics.errors import InvalidObservations
from analytics.figures_calibration import draw_calibration
from tests.analytics.backtest_cases import drawn


def test_dots_intervals_and_counts_are_those_of_the_groups():
    groups = judge(drawn(2)).tenths
    axes, table = draw_calibration(groups, 0.9, "as of 2024-06-01").axes
    observed, expected = axes.containers[0].lines[0], axes.lines[-1]
    assert observed.get_ydata() == pytest.approx([g.observed.value for g in groups])
    assert expected.get_ydata() == pytest.approx([g.expected for g in groups])
    low_to_high = axes.containers[0].lines[2][0].get_segments()
    assert [s[:, 1].tolist() for s in low_to_high] == [
        pytest.approx([g.observed.low, g.observed.high]) for g in groups]  # fmt: skip
    texts = {(round(t.get_position()[0]), round(t.get_position()[1])): t.get_text() for t in table.texts}
    assert texts[9, 1] == f"{groups[9].parts:,.0f}" and texts[9, 2] == f"{groups[9].failures:,.0f}"
    assert len(table.texts) == 3 * len(groups)


def test_one_hue_and_a_legend_that_names_the_level():
    axes = draw_calibration(judge(drawn(2)).tenths, 0.9).axes[0]
    assert len({line.get_color() for line in axes.lines}) == 1
    assert any("90 %" in text.get_text() for text in axes.get_legend().get_texts())
    svg = io.StringIO()
    axes.figure.savefig(svg, format="svg")
    assert "<svg" in svg.getvalue()


def test_nothing_to_draw_is_refused():
    with pytest.raises(InvalidObservations, match="groups"):
        draw_calibration([], 0.9)
