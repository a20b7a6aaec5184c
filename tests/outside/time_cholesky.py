"""Factors and solves one sparse symmetric system with CHOLMOD (scikit-sparse 0.4.16; to build it, libsuitesparse-dev), and writes
the solution. Prints the median milliseconds of one factorisation (ordering and symbolic analysis included) with the solve of
one right-hand side, of the factorisation alone, and the numbers in the factor. Called by core/benches/bind.rs, which says
what is in the files: little-endian, one after the other.

    OMP_NUM_THREADS=1 python time_cholesky.py SYSTEM SOLUTION [ROUNDS]
"""

import statistics
import sys
import time

import numpy as np
import scipy.sparse
from sksparse.cholmod import cholesky


def main():
    with open(sys.argv[1], "rb") as file:
        count, entries = np.fromfile(file, "<u8", 2)
        starts = np.fromfile(file, "<u4", count + 1).astype(np.int32)
        rows = np.fromfile(file, "<u4", entries).astype(np.int32)
        values = np.fromfile(file, "<f8", entries)
        right = np.fromfile(file, "<f8", count)
    rounds = int(sys.argv[3]) if len(sys.argv) > 3 else 3
    # CHOLMOD reads the lower half alone.
    matrix = scipy.sparse.csc_matrix((values, rows, starts), shape=(count, count))
    both, factored = [], []
    for _ in range(rounds):
        start = time.perf_counter()
        factor = cholesky(matrix)
        middle = time.perf_counter()
        solution = factor(right)
        end = time.perf_counter()
        both.append((end - start) * 1e3)
        factored.append((middle - start) * 1e3)
    solution.astype("<f8").tofile(sys.argv[2])
    print(statistics.median(both), statistics.median(factored), factor.L().nnz)


if __name__ == "__main__":
    main()
