"""Standard uncertainties by scipy.sparse's own factor of the same normal equations.

    scipy_network.py NORMAL.mtx UNKNOWN...

NORMAL.mtx is the normal matrix (Matrix Market, symmetric, by the lower triangle). Prints the standard uncertainty
of each unknown (from 0), and the seconds of the factor and of one solution.
"""

import json
import sys
import time

import numpy as np
import scipy.io
import scipy.sparse.linalg

matrix = scipy.sparse.csc_matrix(scipy.io.mmread(sys.argv[1]))
start = time.perf_counter()
# SuperLU as its manual advises for symmetric positive definite matrices
factor = scipy.sparse.linalg.splu(
    matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
)
factored = time.perf_counter()
found = []
for unknown in map(int, sys.argv[2:]):
    unit = np.zeros(matrix.shape[0])
    unit[unknown] = 1.0
    found.append(float(np.sqrt(factor.solve(unit)[unknown])))
end = time.perf_counter()
print(json.dumps({
    "uncertainties": found,
    "factor_s": factored - start,
    "solution_s": (end - factored) / max(len(found), 1),
    "entries": int(factor.L.nnz),
}))
