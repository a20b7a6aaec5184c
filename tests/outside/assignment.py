"""Optimal assignments of random cost matrices by scipy, for the unit test of core/src/facts/assignment.rs.

    pip install scipy==1.17.1 numpy==2.4.6
    python tests/outside/assignment.py > core/tests/fixtures/assignment.json

Costs have four digits, so that the fixture holds them exactly; a matrix whose optimum is not the only one is left out
(found by forbidding each chosen pair in turn and solving again).
"""

import json
import sys

import numpy as np
import scipy
from scipy.optimize import linear_sum_assignment


def unique(cost, rows, columns):
    best = cost[rows, columns].sum()
    for row, column in zip(rows, columns):
        other = cost.copy()
        other[row, column] = 1e6
        if other[linear_sum_assignment(other)].sum() - best < 5e-4:
            return False
    return True


def main():
    random = np.random.default_rng(20261126)
    out = []
    for size in [1, 2, 3, 4, 5, 7, 9, 12, 16, 20, 24]:
        for spread in ["uniform", "geometric"]:
            cost = random.uniform(-1, 3, (size, size))
            if spread == "geometric":
                # As distances are: most are far, a few are near.
                points = random.normal(size=(2, size, 3))
                cost = np.linalg.norm(points[0][:, None] - points[1][None], axis=2)
            cost = np.round(cost, 4)
            rows, columns = linear_sum_assignment(cost)
            if unique(cost, rows, columns):
                out.append({"size": size, "cost": cost.ravel().tolist(), "columns": columns.tolist()})
    json.dump({"by": f"scipy {scipy.__version__}", "matrices": out}, sys.stdout)
    print()


if __name__ == "__main__":
    main()
