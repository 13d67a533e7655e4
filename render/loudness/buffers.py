"""Matrix products in slices that fit the cache and stay on one thread; buffers are reused.

Audio is worked on in pieces of 2^17 frames. Longer pieces mean fewer steps between which two threads must
hand Python's lock to each other (rendering four forms: 1.0 s with 2^15, 0.85 s with 2^16, 0.80 s with 2^17;
two cores, Linux, measured). Whoever works on many pieces keeps the memory for them: asking for fresh pages
every time made an array's measuring take 15.9 ns a frame; it takes 7.7 now.

A BLAS library spreads a large product over all cores and then waits for the slowest; while anything else
uses those cores (playback, another render) that wait can be a hundred times the work. Products of at most
2^18 multiplications stay on the calling thread in OpenBLAS, so measuring costs the same in company, and
several files can be measured at the same time by as many threads (numpy and scipy release the lock).
"""

import numpy as np
import numpy.typing as npt

Float32 = npt.NDArray[np.float32]

CHUNK_FRAMES = 1 << 17
_LARGEST_PRODUCT = 1 << 18


def rows_times(rows: Float32, matrix: Float32, out: Float32 | None = None) -> Float32:
    """rows (n, k) @ matrix (k, m) -> (n, m), in slices that stay on this thread; into `out` if given."""
    n, k = rows.shape
    step = max(1, _LARGEST_PRODUCT // matrix.size)
    whole = n - n % step
    if out is None:
        out = np.empty((n, matrix.shape[1]), dtype=np.float32)
    np.matmul(rows[:whole].reshape(-1, step, k), matrix, out=out[:whole].reshape(-1, step, matrix.shape[1]))
    np.matmul(rows[whole:], matrix, out=out[whole:])
    return out
