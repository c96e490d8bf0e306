"""How much harder a model's pattern-made parts are on than its ordinary ones.

    eta(pattern) = eta(ordinary) + c + e_m,    c ~ N(0, (0.6 shape)^2) over all models,  e_m ~ N(0, (0.4 shape)^2)

A bad copy of one model's part says little of copies of another's: with one effect for all models, pattern parts that
are as good as the original elsewhere would raise the ordinary part of the model whose copies are bad.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analytics.pooling_layout import Layout
from analytics.pooling_tree import Solution

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_LEAST_VARIANCE = 1e-4


def ordinary_leaf(layout: Layout) -> Ints:
    """Leaf of each cell, (cells,), pattern parts counted with the ordinary ones beside them."""
    leaf = layout.tree.leaf
    return layout.tree.parent[-1][leaf] if layout.levels[-1] == "quality" else leaf


def ordinary_cell(layout: Layout) -> Ints:
    """The cell itself for ordinary parts, the ordinary one beside it for pattern parts, (cells,)."""
    leaf = ordinary_leaf(layout)
    ordinary = np.flatnonzero([not key.pattern for key in layout.keys])
    at = np.full(int(leaf.max()) + 1, -1, dtype=np.int64)
    at[leaf[ordinary]] = ordinary
    return at[leaf]


def own_effects(layout: Layout, solution: Solution) -> dict[int, tuple[Floats, Floats]]:
    """Mean and variance, (nodes,), of the effect of the pattern parts beside each ordinary cell that has some.

    What is known of the ordinary part is taken off the variance: a draw of a pattern part adds both.
    """
    beside = ordinary_cell(layout)
    return {
        int(beside[at]): (
            solution.mean[:, at] - solution.mean[:, beside[at]],
            np.maximum(solution.variance[:, at] - solution.variance[:, beside[at]], _LEAST_VARIANCE),
        )
        for at in np.flatnonzero([key.pattern for key in layout.keys])
    }


def effects_by_cell(layout: Layout, solution: Solution) -> Floats:
    """Mean effect of a pattern part beside each cell, (nodes, cells): its own model's, else that of all models."""
    common = solution.crossed_mean[:, layout.crossed_names.index("pattern")]
    out = np.repeat(common[:, None], layout.cells, axis=1)
    for cell, (mean, _) in own_effects(layout, solution).items():
        out[:, cell] = mean
    return out
