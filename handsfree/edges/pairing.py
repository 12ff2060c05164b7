"""Which events of two records are the same: optimal one-to-one assignment by scipy."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from handsfree.core.agreement import WITHIN_S
from handsfree.core.errors import UserError
from handsfree.core.observers import LABELS, Scored, labels_of_both, same_text

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt


def pair(a: Sequence[Scored], b: Sequence[Scored], within_s: float = WITHIN_S) -> list[tuple[int, int]]:
    """(index in a, index in b), by a's order: as many pairs as possible, then as many alike, then the closest.

    A pair's onsets are at most `within_s` apart (to the microsecond: 1.3 and 0.3 are 1 s apart). Alike: same behaviour
    and outcome, as far as both records have them. Only pairs that are near enough are handed to the solver, so that the
    cost grows with their number, not with the product of both lengths. Raises UserError where scipy is not installed.
    """
    try:
        from scipy.sparse import csr_matrix
        from scipy.sparse.csgraph import min_weight_full_bipartite_matching
    except ImportError:
        raise UserError("matching events needs scipy; install it with: pip install 'handsfree[research]'") from None
    import numpy as np

    if not a or not b:
        return []
    rows, columns, apart = _near(a, b, within_s)
    names = labels_of_both(a, b)
    label_a, label_b = _numbered(a, b, names)
    alike = label_a[rows] == label_b[columns]
    # Weights that keep the order of wishes: no sum of the lesser can outweigh one of the greater. In units of within_s.
    most = min(len(a), len(b)) + 1
    bonus_alike, bonus_pair = 2.0 * most, 2.0 * most * (2 * most + 1)
    costs = apart / (within_s or 1.0) - bonus_alike * alike - bonus_pair
    # Each event of `a` may also stay alone, with a column of its own; so a full matching of the rows always exists.
    alone = np.arange(len(a))
    graph = csr_matrix(
        (
            np.concatenate([costs, np.ones(len(a))]),
            (np.concatenate([rows, alone]), np.concatenate([columns, len(b) + alone])),
        ),
        shape=(len(a), len(b) + len(a)),
    )
    left, right = min_weight_full_bipartite_matching(graph)
    return [(int(i), int(j)) for i, j in zip(left, right, strict=True) if j < len(b)]


def _near(
    a: Sequence[Scored], b: Sequence[Scored], within_s: float
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.float64]]:
    """Index in a, index in b and distance in seconds of all events that are near enough."""
    import numpy as np

    onset_a, onset_b = (np.array([event.onset_s for event in events]) for events in (a, b))
    order = np.argsort(onset_b, kind="stable")
    reach = within_s + 1e-6
    first = np.searchsorted(onset_b[order], onset_a - reach, "left")
    count = np.searchsorted(onset_b[order], onset_a + reach, "right") - first
    rows = np.repeat(np.arange(len(a)), count)
    within_row = np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count)
    columns = order[np.repeat(first, count) + within_row]
    return rows, columns, np.abs(onset_a[rows] - onset_b[columns])


def _numbered(
    a: Sequence[Scored], b: Sequence[Scored], names: Sequence[str]
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """The labels of each event as one number: equal where all compared labels are."""
    import numpy as np

    numbers: dict[tuple[str, ...], int] = {}
    whole = [
        [tuple(same_text(getattr(event, name)) for name in LABELS if name in names) for event in events]
        for events in (a, b)
    ]
    coded = [np.array([numbers.setdefault(label, len(numbers)) for label in labels], np.intp) for labels in whole]
    return coded[0], coded[1]
