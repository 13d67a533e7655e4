"""A small band in numpy: every sound of the demo song, each rendered once and reused.

Levels are linear with about 1.0 as the loudest a single sound gets; arrays are float32, mono `(frames,)`
unless said. Pitches are MIDI note numbers (60 = middle C, equal temperament, A4 = 440 Hz).
All sounds begin and end at zero with soft edges, so that placing them anywhere makes no click.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Mono = NDArray[np.float32]

# Centre frequencies (Hz) of the first four formants for invented vowels and for the closed mouth of a
# consonant; rounded textbook-like values for a low female voice (from memory, no source).
FORMANTS_HZ: dict[str, tuple[float, float, float, float]] = {
    "a": (780, 1250, 2750, 3700),
    "e": (520, 1950, 2750, 3750),
    "i": (360, 2250, 2950, 3800),
    "o": (490, 880, 2650, 3600),
    "u": (370, 800, 2500, 3600),
    "w": (300, 620, 2300, 3400),
    "l": (340, 1150, 2700, 3500),
    "m": (270, 1000, 2200, 3300),
    "n": (280, 1500, 2400, 3400),
    "r": (340, 1200, 1700, 3300),
    "y": (300, 2300, 3000, 3800),
}
FORMANT_LEVELS = (1.0, 0.5, 0.28, 0.16)
FORMANT_WIDTHS_HZ = (110, 140, 220, 320)
# Consonants that are noise: length in seconds, band in Hz, level.
NOISES: dict[str, tuple[float, float, float, float]] = {
    "s": (0.095, 4200, 8500, 0.05),
    "t": (0.028, 2500, 7000, 0.10),
    "d": (0.022, 1500, 5000, 0.10),
    "h": (0.070, 900, 4500, 0.06),
    "k": (0.030, 1400, 4200, 0.13),
}


def hertz(pitch: float) -> float:
    """Frequency of a MIDI note number, A4 = 69 = 440 Hz."""
    return float(440.0 * 2.0 ** ((pitch - 69.0) / 12.0))


def edge(frames: int) -> NDArray[np.float64]:
    """A raised-cosine rise from 0 to just under 1, shape `(frames,)`."""
    rise: NDArray[np.float64] = 0.5 - 0.5 * np.cos(np.pi * np.arange(frames) / max(frames, 1))
    return rise


def soften(x: NDArray[np.floating], rise_frames: int, fall_frames: int) -> Mono:
    """Fade the two ends of `x`, shape `(frames,)`, by raised cosines and take out its DC; returns float32."""
    y = np.array(x, dtype=np.float32)
    rise, fall = min(rise_frames, len(y)), min(fall_frames, len(y))
    y[:rise] *= edge(rise)
    y[len(y) - fall :] *= edge(fall)[::-1]
    window = np.arange(len(y), dtype=np.float32) / len(y)
    window *= window[::-1]  # a parabola, zero at both ends
    y -= window * (np.sum(y) / np.sum(window))
    return y


def harmonics(z: NDArray[np.complex64], weights: NDArray[np.floating]) -> Mono:
    """The imaginary part of sum_k weights[k-1] z**k by Horner's rule.

    With z = exp((2 pi i f - d) t) these are the harmonics of f, the k-th dying k times as fast as the first:
    a plucked string for a few multiplications a sample.
    """
    total = np.zeros_like(z)
    for weight in weights[::-1]:
        total += np.float32(weight)
        total *= z
    return total.imag


def formant_weights(mouth: str, f0_hz: float, count: int) -> NDArray[np.float64]:
    """How strong each of `count` harmonics of a voice at `f0_hz` is behind the mouth shape `mouth`."""
    f = f0_hz * np.arange(1, count + 1)
    response = np.zeros(count)
    parts = zip(FORMANTS_HZ[mouth], FORMANT_WIDTHS_HZ, FORMANT_LEVELS, strict=True)
    for centre_hz, width_hz, level in parts:
        response += level / np.sqrt(1.0 + ((f - centre_hz) / width_hz) ** 2)
    weights = response * (f / f0_hz) ** -0.75
    closed = 0.5 if mouth in "wlmnry" else 1.0
    scaled: NDArray[np.float64] = closed * 0.42 * weights / np.sqrt(np.sum(weights**2))
    return scaled


class Band:
    """Makes and keeps the sounds for one sample rate and seed. `play(name, ...)` is all a mixer needs."""

    def __init__(self, sample_rate: int, seed: int) -> None:
        self.sample_rate = sample_rate
        self.seed = seed
        self._kept: dict[tuple[str, float, float, str], Mono] = {}
        self._makers: dict[str, Callable[[float, float, str], Mono]] = {
            "kick": self._kick, "snare": self._snare, "rim": self._rim, "hat": self._hat,
            "open hat": self._open_hat, "shaker": self._shaker, "tom": self._tom, "crash": self._crash,
            "bass": self._bass, "piano": self._piano, "pad": self._pad, "pluck": self._pluck,
            "voice": self._voice, "breath": self._breath, "air": self._air,
        }  # fmt: skip

    def play(self, name: str, pitch: float = 0.0, seconds: float = 0.0, text: str = "") -> Mono:
        """The sound `name` at `pitch`, held for `seconds` and ringing on after; the same array each time."""
        key = (name, pitch, round(seconds, 6), text)
        if key not in self._kept:
            self._kept[key] = self._makers[name](pitch, seconds, text)
        return self._kept[key]

    def frames(self, seconds: float) -> int:
        return round(seconds * self.sample_rate)

    def _time(self, seconds: float) -> NDArray[np.float64]:
        return np.arange(self.frames(seconds)) / self.sample_rate

    def noise(self, seconds: float, low_hz: float, high_hz: float, name: str, tilt: float = 0.0) -> Mono:
        """Noise of RMS 1 between two frequencies with soft slopes, falling by f**-tilt; it loops seamlessly.

        Each `name` has its own stream, so that adding a sound does not change the others.
        """
        count = self.frames(seconds)
        rng = np.random.default_rng([self.seed, *name.encode()])
        f = np.maximum(fft.rfftfreq(count, 1 / self.sample_rate), 1.0)
        shape = f**-tilt / np.sqrt((1 + (low_hz / f) ** 6) * (1 + (f / high_hz) ** 12))
        shape[0] = 0.0
        x = fft.irfft(fft.rfft(rng.standard_normal(count)) * shape, count)
        return np.asarray(x / np.sqrt(np.mean(x**2)), dtype=np.float32)

    # Drums

    def _kick(self, pitch: float, seconds: float, text: str) -> Mono:
        t = self._time(0.42)
        f = 56.0 + 90.0 * np.exp(-t / 0.03)
        body = np.sin(2 * np.pi * np.cumsum(f) / self.sample_rate) * np.exp(-t / 0.10)
        beater = self.noise(0.42, 900, 3200, "kick") * np.exp(-t / 0.006) * 0.10
        return soften(0.75 * body + beater, self.frames(0.002), self.frames(0.1))

    def _snare(self, pitch: float, seconds: float, text: str) -> Mono:
        t = self._time(0.38)
        rattle = self.noise(0.38, 900, 6500, "snare", tilt=0.3) * np.exp(-t / 0.085) * 0.17
        skin = (np.sin(2 * np.pi * 186 * t) + 0.6 * np.sin(2 * np.pi * 287 * t)) * np.exp(-t / 0.06) * 0.28
        return soften(rattle + skin, self.frames(0.0015), self.frames(0.1))

    def _rim(self, pitch: float, seconds: float, text: str) -> Mono:
        t = self._time(0.16)
        wood = (np.sin(2 * np.pi * 810 * t) + 0.5 * np.sin(2 * np.pi * 1390 * t)) * np.exp(-t / 0.018) * 0.22
        brush = self.noise(0.16, 1200, 6000, "rim") * np.exp(-t / 0.04) * 0.035
        return soften(wood + brush, self.frames(0.0015), self.frames(0.05))

    def _hat(self, pitch: float, seconds: float, text: str) -> Mono:
        t = self._time(0.11)
        return soften(self.noise(0.11, 6200, 11500, "hat") * np.exp(-t / 0.024) * 0.1, 60, self.frames(0.03))

    def _open_hat(self, pitch: float, seconds: float, text: str) -> Mono:
        t = self._time(0.45)
        x = self.noise(0.45, 5600, 11000, "open hat") * np.exp(-t / 0.12) * 0.085
        return soften(x, self.frames(0.0015), self.frames(0.15))

    def _shaker(self, pitch: float, seconds: float, text: str) -> Mono:
        x = self.noise(0.12, 4300, 9000, "shaker") * 0.055
        return soften(x, self.frames(0.03), self.frames(0.085))

    def _tom(self, pitch: float, seconds: float, text: str) -> Mono:
        t = self._time(0.75)
        f = hertz(pitch) * (1 + 0.35 * np.exp(-t / 0.03))
        skin = np.sin(2 * np.pi * np.cumsum(f) / self.sample_rate) * np.exp(-t / 0.19) * 0.5
        felt = self.noise(0.75, 250, 1800, "tom") * np.exp(-t / 0.03) * 0.05
        return soften(skin + felt, self.frames(0.003), self.frames(0.2))

    def _crash(self, pitch: float, seconds: float, text: str) -> Mono:
        t = self._time(2.6)
        x = self.noise(2.6, 3000, 9500, "crash", tilt=0.25) * (
            0.7 * np.exp(-t / 0.5) + 0.3 * np.exp(-t / 0.1)
        )
        return soften(x * 0.15, self.frames(0.004), self.frames(0.9))

    # Strings and keys

    def _decaying(self, pitch: float, seconds: float, decay_s: float) -> NDArray[np.complex64]:
        t = self._time(seconds)
        z: NDArray[np.complex128] = np.exp((2j * np.pi * hertz(pitch) - 1 / decay_s) * t)
        return z.astype(np.complex64)

    def _bass(self, pitch: float, seconds: float, text: str) -> Mono:
        k = np.arange(1, 13)
        weights = np.abs(np.sin(np.pi * k * 0.21)) / k**1.35
        x = harmonics(self._decaying(pitch, seconds + 0.06, 1.1), weights)
        return soften(np.tanh(1.3 * x) * 0.52, self.frames(0.006), self.frames(0.09))

    def _piano(self, pitch: float, seconds: float, text: str) -> Mono:
        """An electric piano: a phase-modulated sine, brighter when struck, with a short bell on top."""
        t = self._time(seconds + 0.25)
        w = 2 * np.pi * hertz(pitch) * t
        bark = 1.1 * np.exp(-t / 0.35) + 0.25
        x = np.sin(w + bark * np.sin(w)) * np.exp(-t / 1.5)
        bell = 0.11 * np.sin(7.0 * w) * np.exp(-t / 0.09) if hertz(pitch) < 900 else 0.0
        return soften((x + bell) * 0.2, self.frames(0.004), self.frames(0.25))

    def _pad(self, pitch: float, seconds: float, text: str) -> Mono:
        """Bowed-string warmth: two saw-like waves, a few cents apart, under a slow swell."""
        t = self._time(seconds + 0.5)
        count = max(3, int(2600 / hertz(pitch)))
        k = np.arange(1, count + 1)
        weights = 1 / k / (1 + (k * hertz(pitch) / 1300.0) ** 2)
        x = np.zeros(len(t), dtype=np.float32)
        for cents in (-5.0, 6.0):
            sway = 0.4 * np.sin(2 * np.pi * (0.31 + cents / 90) * t)
            phase = 2 * np.pi * hertz(pitch + cents / 100) * t + sway
            x += harmonics(np.exp(1j * phase).astype(np.complex64), weights)
        return soften(x * 0.075, self.frames(min(0.35, seconds / 3)), self.frames(0.5))

    def _pluck(self, pitch: float, seconds: float, text: str) -> Mono:
        """A guitar string; text "mute" damps it with the hand."""
        k = np.arange(1, max(4, int(5200 / hertz(pitch))) + 1)
        weights = np.sin(np.pi * k * 0.17) / k**0.95 / (1 + (k * hertz(pitch) / 3800) ** 2)
        decay_s = 0.12 if text == "mute" else 1.9 * (196 / hertz(pitch)) ** 0.5
        x = harmonics(self._decaying(pitch, seconds + 0.12, decay_s), weights)
        return soften(x * 0.42, self.frames(0.0025), self.frames(0.12))

    # Voice

    def _voice(self, pitch: float, seconds: float, text: str) -> Mono:
        """One sung syllable such as "wai": a consonant, a vowel, perhaps a second one to glide to."""
        vowels = text.lstrip("wlmnrystdhk")
        consonant = text[: len(text) - len(vowels)]
        t = self._time(seconds + 0.10)
        late = np.clip((t - 0.22) / 0.4, 0, 1)
        bend = 0.28 * late * np.sin(2 * np.pi * 5.3 * (t - 0.22)) - 0.8 * np.exp(-t / 0.04)
        phase = 2 * np.pi * np.cumsum(hertz(pitch) * 2 ** (bend / 12)) / self.sample_rate
        z = np.exp(1j * phase).astype(np.complex64)
        count = int(6000 / hertz(pitch))
        body = formant_weights(vowels[0], hertz(pitch), count)
        x = harmonics(z, body)
        if consonant in FORMANTS_HZ:  # the mouth opens over the first moments
            opening = self.frames(0.13)
            closed = harmonics(z[:opening], formant_weights(consonant, hertz(pitch), count) - body)
            x[:opening] += closed * edge(len(closed))[::-1].astype(np.float32)
        if len(vowels) > 1:
            begin = len(t) // 2
            change = harmonics(z[begin:], formant_weights(vowels[1], hertz(pitch), count) - body)
            x[begin:] += change * edge(len(change)).astype(np.float32)
        air = self.play("air")[: len(t)]
        shape = 0.55 + 0.45 * np.exp(-t / 0.3)  # sung onto the syllable, then relaxing
        sung = soften((x + 0.010 * air) * shape, self.frames(0.03), self.frames(0.11))
        if consonant in NOISES:
            length_s, low_hz, high_hz, level = NOISES[consonant]
            hiss = level * self.noise(length_s, low_hz, high_hz, consonant)
            hiss = soften(hiss, len(hiss) // 4, len(hiss) // 2)[: len(sung)]
            late_by = len(hiss) // 2  # the vowel follows out of the noise
            sung = np.concatenate([np.zeros(late_by, np.float32), sung[: len(sung) - late_by]])
            sung[len(sung) - self.frames(0.05) :] *= edge(self.frames(0.05))[::-1].astype(np.float32)
            sung[: len(hiss)] += hiss
        return sung

    def _air(self, pitch: float, seconds: float, text: str) -> Mono:
        return self.noise(6.0, 1800, 6500, "air")

    def _breath(self, pitch: float, seconds: float, text: str) -> Mono:
        x = self.noise(seconds, 700, 4200, "breath", tilt=0.4) * 0.02
        return soften(x, self.frames(seconds * 0.7), self.frames(seconds * 0.25))

    # The room

    def room(self) -> Mono:
        """A small hall's response for two ears, shape `(2, frames)`: highs die first; energy 1 per ear."""
        seconds = 1.5
        t = self._time(seconds)
        ears = []
        for ear in ("left", "right"):
            low = self.noise(seconds, 180, 1400, f"hall {ear} low", tilt=0.3) * np.exp(-t / 0.34)
            high = self.noise(seconds, 1400, 6500, f"hall {ear} high", tilt=0.5) * np.exp(-t / 0.19)
            x = soften(low + 0.6 * high, self.frames(0.006), self.frames(0.3))
            ears.append(np.concatenate([np.zeros(self.frames(0.017), np.float32), x]))
        both = np.stack(ears)
        return np.asarray(both / np.sqrt(np.sum(both**2, axis=1, keepdims=True)), dtype=np.float32)


def reverberate(send: Mono, room: Mono) -> Mono:
    """`send` `(frames,)` heard in `room` `(2, taps)`: `(2, frames)`, by overlap-add; no tail after it."""
    size = fft.next_fast_len(4 * room.shape[1], real=True)
    step = size - room.shape[1] + 1
    spectrum = fft.rfft(room, size, axis=1)
    wet = np.zeros((2, len(send) + size), dtype=np.float32)
    for begin in range(0, len(send), step):
        block = fft.rfft(send[begin : begin + step], size)
        wet[:, begin : begin + size] += fft.irfft(block * spectrum, size, axis=1)
    return wet[:, : len(send)]
