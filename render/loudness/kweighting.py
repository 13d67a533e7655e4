"""K-weighting (ITU-R BS.1770-5, Annex 1), as fast as matrix products make it.

The weighting is two second-order sections. Run sample by sample, each output waits for the one before it;
here the cascade is taken in its state-space form and a whole block of L samples is computed at once:

    y = x T + s O            (what the block itself gives, and what the state before it still rings)
    s' = s A^L + x R         (the state after it)

Only the short recursion over block states is left (`_recursion`); the rest is matrix products in float32,
about half the processor time of two biquads (see render/loudness/buffers.py).
Block processing of recursive filters is textbook signal processing (C. S. Burrus, "Block implementation
of digital filters", 1971; source from memory).

The state is held in output-normal coordinates, where an error in the state costs no more energy in the
output than it has itself; with the coordinates of a plain biquad, a constant offset in the audio would
cost 40 dB of accuracy in float32.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from render.arrays import AnyFloats, Floats
from render.loudness.buffers import Float32, rows_times
from render.loudness.k_response import k_weighting_sos

_BLOCK_FRAMES = 64  # 48 to 64 is fastest; shorter blocks have more states, longer ones more products
_ORDER = 4
_NEGLIGIBLE = 1e-18  # of a state: far below what a double holds beside it


@dataclass(frozen=True)
class _BlockForm:
    """The K-weighting of one sample rate over blocks of up to L samples; states are rows of 4."""

    answer: Float32  # (L + 4, L): (x, s) @ answer, what x gives and what the state s before it still rings
    drive: Float32  # (L, 4): x @ drive is what the block adds to the state
    powers: Floats  # (L + 1, 4, 4): s @ powers[n] is the state after n silent samples
    poles: npt.NDArray[np.complex128]  # (2,): one of each pair, to the power L
    to_modes: npt.NDArray[np.complex128]  # (4, 2): state -> complex modes
    from_modes: Floats  # (4, 4): real and imaginary parts of the modes -> state


def _state_space(sos: Floats) -> tuple[Floats, Floats, Floats, float]:
    """(A, b, c, d) of two sections in a row, in output-normal coordinates: s' = A s + b x, y = c s + d x."""
    (b0, b1, b2, _, a1, a2), (e0, e1, e2, _, f1, f2) = sos
    into_first, into_second = np.array([b1 - a1 * b0, b2 - a2 * b0]), np.array([e1 - f1 * e0, e2 - f2 * e0])
    a = np.array([[-a1, 1.0, 0, 0], [-a2, 0.0, 0, 0], [0, 0, -f1, 1.0], [0, 0, -f2, 0.0]])
    a[2:, 0] = into_second
    b = np.concatenate((into_first, into_second * b0))
    c = np.array([e0, 0.0, 1.0, 0.0])
    # the energy that a state still gives, X = A^T X A + c c^T, as 16 linear equations
    energies = np.linalg.solve(np.eye(_ORDER**2) - np.kron(a.T, a.T), np.outer(c, c).ravel())
    observed = energies.reshape(_ORDER, _ORDER)
    normal: Floats = np.linalg.cholesky(observed).T
    back = np.linalg.inv(normal)
    return normal @ a @ back, normal @ b, c @ back, float(b0 * e0)


@lru_cache(maxsize=8)
def _block_form(sample_rate: int) -> _BlockForm:
    a, b, c, d = _state_space(k_weighting_sos(sample_rate))
    length = _BLOCK_FRAMES
    powers = np.stack([np.linalg.matrix_power(a, n) for n in range(length + 1)])
    impulse = np.concatenate(([d], powers[: length - 1] @ b @ c))
    values, vectors = np.linalg.eig(a)
    upper = values.imag > 0  # both sections resonate (Q > 0.5), at every rate: two conjugate pairs
    from_modes = np.empty((_ORDER, _ORDER))
    from_modes[0::2], from_modes[1::2] = 2 * vectors[:, upper].real.T, -2 * vectors[:, upper].imag.T
    return _BlockForm(
        answer=np.concatenate((_convolution(impulse), (c @ powers[:length]).T)).astype(np.float32),
        drive=(powers[length - 1 :: -1] @ b).astype(np.float32),
        powers=np.ascontiguousarray(powers.transpose(0, 2, 1)),
        poles=values[upper] ** length,
        to_modes=np.ascontiguousarray(np.linalg.inv(vectors)[upper].T),
        from_modes=from_modes,
    )


def _convolution(impulse: Floats) -> Floats:
    """(L, L): rows of samples times it are their convolution with an impulse response (L,), as far as L."""
    late = np.arange(len(impulse)) - np.arange(len(impulse))[:, None]
    return np.where(late >= 0, impulse[late], 0.0)


def _states(form: _BlockForm, driven: Floats, state: Floats) -> Floats:
    """States before each block and after the last, (channels, blocks + 1, 4), from what each block adds."""
    modes = np.empty((2, driven.shape[0], driven.shape[1] + 1), dtype=np.complex128)
    modes[:, :, 0] = (state @ form.to_modes).T
    modes[:, :, 1:] = np.moveaxis(driven @ form.to_modes, -1, 0)
    for mode, pole in zip(modes, form.poles, strict=True):
        _recursion(mode, complex(pole))
    return np.ascontiguousarray(np.moveaxis(modes, 0, -1)).view(np.float64) @ form.from_modes


def _recursion(values: npt.NDArray[np.complex128], pole: complex) -> None:
    """y[n] = x[n] + pole y[n - 1] along the last axis, in place, by doubling.

    After each step every value has gathered twice as many of those before it, until what is further off has
    died away.
    """
    step = 1
    while step < values.shape[-1] and abs(pole) > _NEGLIGIBLE:
        values[..., step:] += pole * values[..., :-step]
        pole *= pole
        step *= 2


class KWeighting:
    """The weighting of a signal that arrives in pieces: its state, and memory that is used again.

    Fresh memory for every piece can cost as much as the arithmetic does.
    """

    def __init__(self, sample_rate: int, channels: int) -> None:
        self.state = np.zeros((channels, _ORDER))
        self._form = _block_form(sample_rate)
        self._rows = np.empty((0, _BLOCK_FRAMES + _ORDER), dtype=np.float32)

    def run(self, planar: AnyFloats, out: Float32) -> None:
        """Weight the next `planar` (channels, frames) into `out`, of the same shape, channels contiguous."""
        form, frames = self._form, planar.shape[1]
        blocks, rest = divmod(frames, _BLOCK_FRAMES)
        whole = frames - rest
        if blocks:
            rows = self._rows_for(len(planar), blocks)
            for row, samples in zip(rows, planar, strict=True):
                row[:, :_BLOCK_FRAMES] = samples[:whole].reshape(blocks, _BLOCK_FRAMES)
            driven = np.stack([rows_times(row[:, :_BLOCK_FRAMES], form.drive) for row in rows])
            states = _states(form, driven.astype(np.float64), self.state)
            rows[..., _BLOCK_FRAMES:] = states[:, :-1]
            for row, weighted in zip(rows, out, strict=True):
                rows_times(row, form.answer, out=weighted[:whole].reshape(blocks, _BLOCK_FRAMES))
            self.state = states[:, -1]
        if rest:
            last = planar[:, whole:].astype(np.float32)
            answer, ringing = form.answer[:rest, :rest], form.answer[_BLOCK_FRAMES:, :rest]
            out[:, whole:] = last @ answer + self.state.astype(np.float32) @ ringing
            self.state = self.state @ form.powers[rest] + last @ form.drive[_BLOCK_FRAMES - rest :]

    def _rows_for(self, channels: int, blocks: int) -> Float32:
        """(channels, blocks, L + 4) for the samples of each block and the state before it."""
        if len(self._rows) < channels * blocks:
            self._rows = np.empty((channels * blocks, _BLOCK_FRAMES + _ORDER), dtype=np.float32)
        return self._rows[: channels * blocks].reshape(channels, blocks, -1)
