"""Array types: audio as float32 `(frames, channels)`, measurements as float64, indices as integers."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Audio: TypeAlias = NDArray[np.float32]
Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]
Counts: TypeAlias = NDArray[np.intp]
AnyFloats: TypeAlias = NDArray[np.floating]
