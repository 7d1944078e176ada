"""Which levels and faults add to what each session should see, for many hypotheses side by side."""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Design(Struct, frozen=True):
    """Which groups each hypothesis' variables add to: all of them, and those that have a fault once more.

    matrix: (sessions, groups + 1), the last column empty. faults: (hypotheses, faults) columns of it, the
    last one where there is none. products: (sessions, n), of two columns where some session crosses both, and
    nothing. cells: (groups, groups), which of the products each pair of groups has; fault_cells: (hypotheses,
    faults, variables), which one each fault has with every variable.
    """

    matrix: Floats
    faults: NDArray[np.intp]
    products: Floats
    cells: NDArray[np.intp]
    fault_cells: NDArray[np.intp]

    @classmethod
    def of_faults(cls, matrix: Floats, faults: Sequence[tuple[int, ...]]) -> "Design":
        """faults: of each hypothesis the groups that have one; matrix: (sessions, groups)."""
        sessions, groups = matrix.shape
        count = max((len(f) for f in faults), default=0)
        padded = [(*f, *[groups] * (count - len(f))) for f in faults]
        extra = np.array(padded, dtype=np.intp).reshape(len(faults), count)
        wide = np.concatenate([matrix, np.zeros((sessions, 1))], axis=1)
        one, two = np.nonzero(np.triu(wide.T @ wide))
        table = np.full((groups + 1, groups + 1), len(one))
        table[one, two] = table[two, one] = np.arange(len(one))
        columns = np.concatenate([np.tile(np.arange(groups), (len(faults), 1)), extra], axis=1)
        return cls(
            matrix=wide,
            faults=extra,
            products=np.concatenate([wide[:, one] * wide[:, two], np.zeros((sessions, 1))], axis=1),
            cells=table[:groups, :groups],
            fault_cells=table[extra[:, :, None], columns[:, None, :]],
        )

    def of(self, hypotheses: NDArray[np.intp] | NDArray[np.bool_]) -> "Design":
        """The same for some of the hypotheses."""
        return replace(self, faults=self.faults[hypotheses], fault_cells=self.fault_cells[hypotheses])

    def seen(self, levels: Floats) -> Floats:
        """What sessions should see, (hypotheses, sessions)."""
        groups = len(self.cells)
        out = levels[:, :groups] @ self.matrix[:, :groups].T
        for k, column in enumerate(self.faults.T):
            out += levels[:, groups + k, None] * self.matrix.T[column]
        return out

    def pull(self, slope: Floats, levels: Floats) -> Floats:
        """The gradient by the logarithm of every variable, of slopes by what sessions should see."""
        by_column = slope @ self.matrix
        extra = by_column[np.arange(len(levels))[:, None], self.faults]
        return np.concatenate([by_column[:, :-1], extra], axis=1) * levels

    def bend(self, bend: Floats, levels: Floats) -> Floats:
        """The Hessian by the same, as Gauss and Newton have it, of curvatures."""
        by_product = bend @ self.products
        out = levels[:, :, None] * levels[:, None, :]
        groups = len(self.cells)
        out[:, :groups, :groups] *= by_product.take(self.cells, axis=1)
        rows = np.arange(len(levels))[:, None]
        for k in range(self.faults.shape[1]):
            of_fault = by_product[rows, self.fault_cells[:, k]]
            out[:, groups + k] *= of_fault
            out[:, :groups, groups + k] *= of_fault[:, :groups]
        return out
