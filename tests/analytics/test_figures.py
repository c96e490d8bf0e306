"""Figures: drawn without pyplot, one hue, the counts a reader needs beneath; content checked on the artists."""

import io
import subprocess
import sys

import numpy as np
import pytest

from analytics.curves import kaplan_meier, nelson_aalen
from analytics.errors import InvalidObservations
from analytics.figures import draw_curves, draw_mcf
from analytics.recurrence import histories, mean_cumulative_function
from analytics.turnbull import turnbull
from tests.reference import data


def test_curve_is_drawn_where_the_estimate_is_with_numbers_at_risk_below():
    curve = kaplan_meier(0, *data.genfan())
    figure = draw_curves([curve], ["fans"], "hours")
    axes, table = figure.axes
    drawn = axes.lines[0].get_ydata()
    assert drawn[0] == 1 and drawn[1:-1] == pytest.approx(curve.estimate[curve.events > 0])
    assert table.texts[0].get_text() == "70"
    assert "hours" in table.get_xlabel() and table.get_title(loc="left") == "Number at risk"
    svg = io.StringIO()
    figure.savefig(svg, format="svg")
    assert "<svg" in svg.getvalue()


def test_a_long_curve_is_thinned_to_what_can_be_seen():
    curve = kaplan_meier(0, np.arange(1, 20001), True)
    drawn = draw_curves([curve], ["parts"], "km").axes[0].lines[0]
    assert len(drawn.get_ydata()) < 2000
    assert drawn.get_ydata()[-1] == 0


def test_two_curves_share_one_hue_and_differ_in_line_style():
    curves = [kaplan_meier(*data.channing(g), condition_at=816) for g in (1, 2)]
    axes, table = draw_curves(curves, ["one", "two"], "months").axes
    assert len({line.get_color() for line in axes.lines}) == 1
    assert len({line.get_linestyle() for line in axes.lines}) == 2
    assert [label.get_text() for label in table.get_yticklabels()] == ["one", "two"]


def test_a_curve_without_interval_has_no_band():
    lower, hours, cracked, count = data.turbine()
    axes = draw_curves([turnbull(0, hours, cracked, lower, count)], ["wheels"], "100 h").axes[0]
    assert len(axes.collections) == 0


def test_mean_cumulative_function():
    curve = mean_cumulative_function(histories([0, 1], 0, 10, [0, 0, 1], [1, 2, 5]))
    axes = draw_mcf(curve, "days").axes[0]
    assert np.max(axes.lines[0].get_ydata()) == 1.5
    with pytest.raises(InvalidObservations, match="mean cumulative"):
        draw_mcf(kaplan_meier(0, [1], [1]), "days")


def test_mixed_kinds_and_missing_labels_are_refused():
    fans = data.genfan()
    with pytest.raises(InvalidObservations, match="one kind"):
        draw_curves([kaplan_meier(0, *fans), nelson_aalen(0, *fans)], ["a", "b"], "h")
    with pytest.raises(InvalidObservations, match="labels"):
        draw_curves([kaplan_meier(0, *fans)], [], "h")


def test_importing_the_estimators_loads_no_plotting_and_no_data_frames():
    code = (
        "import sys, analytics.figures, analytics.other_lives, analytics.recurrence, analytics.weibull\n"
        "print([m for m in ('matplotlib', 'pandas', 'lifelines') if m in sys.modules])"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"
