"""A recording that session.toml names: its sound in one channel at a low rate, piece by piece.

WAV is read here; what phones write otherwise (m4a, mp3, ogg, opus, 3gp) by PyAV, where it is
installed. No more than a piece at a time is in memory at the file's own rate.
"""

import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import NoReturn

import numpy as np
from scipy.io import wavfile
from scipy.signal import butter, resample_poly, sosfilt

from tuninglib.session.trace import LeftOut, Trace
from tuninglib.statistics.engine_sound import SOUND_RATE_HZ, goes_past, heard_speed
from tuninglib.text_files import Problem, SessionError

_LOWEST_RATE_HZ, _HIGHEST_RATE_HZ = 8000, 192_000
_SHORTEST_S, _LONGEST_S, _MOST_CHANNELS = 2.0, 3600.0, 8
# Samples that are this near to full scale are clipped; a peak below the other is silence.
_FULL, _SILENT = 0.999, 1e-4
_PIECE_S, _MARGIN_S = 10.0, 0.1


@dataclass(frozen=True, kw_only=True)
class Sound:
    """One recording, one channel.

    Attributes
    ----------
    samples : array of float32
        At ``SOUND_RATE_HZ``, full scale is 1.
    rate_hz : int
        Of the file.
    clipped : float
        Share of its samples at full scale. [-]
    cut_short : bool
        Whether the file ends before its end.
    """

    samples: np.ndarray
    rate_hz: int
    clipped: float
    cut_short: bool


def read_sound(path: Path) -> Sound:
    """The sound of a recording.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Sound

    Raises
    ------
    SessionError
        If it cannot be used, in one sentence.
    """
    rate, pieces = _opened(path)
    if not _LOWEST_RATE_HZ <= rate <= _HIGHEST_RATE_HZ:
        _refuse(
            path,
            f"has {rate} samples a second, outside {_LOWEST_RATE_HZ} to {_HIGHEST_RATE_HZ}; record "
            "with 8000 or more",
        )
    tally = _Tally(path, rate)
    low = [np.zeros(0, dtype=np.float32), *_lowered(tally.counted(pieces), rate)]
    if tally.count < _SHORTEST_S * rate:
        _refuse(
            path,
            f"holds {tally.count / rate:.1f} s of sound, less than the {_SHORTEST_S:.0f} s that a "
            "run needs; see that the right file was copied, and all of it",
        )
    if tally.peak < _SILENT:
        _refuse(path, "is silent; see that the recorder may use the microphone, and record again")
    return Sound(
        samples=np.concatenate(low),
        rate_hz=rate,
        clipped=tally.clipped / tally.count,
        cut_short=tally.cut_short,
    )


def _opened(path):
    """Rate and pieces of any recording."""
    with path.open("rb") as stream:
        start = stream.read(12)
    return (_wav if start[:4] == b"RIFF" and start[8:] == b"WAVE" else _packed)(path)


def _refuse(path: Path, message: str) -> NoReturn:
    raise SessionError([Problem(path.name, message)]) from None


class _Tally:
    """What is counted of a recording while it goes by."""

    def __init__(self, path, rate):
        self.path, self.rate = path, rate
        self.count, self.clipped, self.peak, self.cut_short = 0, 0, 0.0, False

    def counted(self, pieces) -> Iterator[np.ndarray]:
        """Each piece; a file that breaks off says so with None."""
        for piece in pieces:
            if piece is None:
                self.cut_short = True
                return
            self.count += piece.size
            if self.count > _LONGEST_S * self.rate:
                _refuse(
                    self.path,
                    f"is longer than the {_LONGEST_S / 60:.0f} minutes that are read; keep the "
                    "part with the runs, or make a file of each run",
                )
            if not np.isfinite(piece).all():
                _refuse(self.path, "holds samples that are no numbers; save it as 16-bit WAV")
            size = np.abs(piece)
            self.peak = max(self.peak, float(size.max(initial=0.0)))
            self.clipped += int(np.count_nonzero(size >= _FULL))
            yield piece


def _lowered(pieces, rate) -> Iterator[np.ndarray]:
    """Pieces of any length at the rate that is listened to; their seams leave no trace."""
    ratio = Fraction(int(SOUND_RATE_HZ), rate)
    up, down = ratio.numerator, ratio.denominator
    # Whole numbers of steps that both rates share; the filter reaches over ten samples of the lower
    # rate to either side.
    margin = -(-rate // (100 * down)) * down
    own = max(int(_PIECE_S * rate) // down, 1) * down
    # What stands before the first sample, and after the last, is silence.
    rest = [np.zeros(margin, dtype=np.float32)]

    def of(buffer):
        return resample_poly(buffer, up, down)[margin // down * up :]

    for piece in pieces:
        rest.append(piece)
        if sum(one.size for one in rest) >= own + 2 * margin:
            buffer = np.concatenate(rest)
            while buffer.size >= own + 2 * margin:
                yield of(buffer[: own + 2 * margin])[: own // down * up]
                buffer = buffer[own:]
            rest = [buffer]
    buffer = np.concatenate(rest)
    left = (buffer.size - margin) * up // down
    yield of(np.pad(buffer, (0, margin)))[:left]


# WAV ----------------------------------------------------------------------------------------------

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
# Kind and bits of a sample to its type and its full scale.
_SAMPLES = {
    (_PCM, 8): ("u1", 128.0), (_PCM, 16): ("<i2", 2.0**15), (_PCM, 24): ("u1", 2.0**23),
    (_PCM, 32): ("<i4", 2.0**31), (_FLOAT, 32): ("<f4", 1.0), (_FLOAT, 64): ("<f8", 1.0),
}  # fmt: skip


def _wav(path):
    """Rate and pieces of a WAV file; the last piece is None where the file breaks off."""
    size, form, data = path.stat().st_size, None, None
    with path.open("rb") as stream:
        at = 12
        while at + 8 <= size and data is None:
            stream.seek(at)
            name, length = struct.unpack("<4sI", stream.read(8))
            if name == b"fmt " and length >= 16:
                form = stream.read(min(length, 40))
            elif name == b"data":
                data = at + 8, length
            # Chunks begin at even places.
            at += 8 + length + length % 2
    if form is None or data is None:
        _refuse(path, "is called a WAV file but holds no sound; record or copy it again")
    kind, channels, rate, _, frame, bits = struct.unpack("<HHIIHH", form[:16])
    if kind == _EXTENSIBLE and len(form) >= 26:
        (kind,) = struct.unpack("<H", form[24:26])
    if (kind, bits) not in _SAMPLES or not 1 <= channels <= _MOST_CHANNELS:
        _refuse(
            path,
            f"has samples of kind {kind} with {bits} bits in {channels} channels, which is not "
            "read; save it as 16-bit WAV with one or two channels",
        )
    if frame != channels * bits // 8:
        _refuse(path, "contradicts itself in its header; record or copy it again")
    begin, length = data
    there = size - begin
    # A recorder that was killed leaves 0, or all bits set, where the length belongs.
    unset = length in (0, 0xFFFFFFFF)
    cut = length > there and not unset
    return rate, _wav_pieces(
        path, begin, there if unset or cut else length, channels, kind, bits, cut
    )


def _wav_pieces(path, begin, length, channels, kind, bits, cut):
    """Pieces of some 10 MB as means over their channels."""
    type_, full = _SAMPLES[kind, bits]
    frame = channels * bits // 8
    left = length // frame
    with path.open("rb") as stream:
        stream.seek(begin)
        while left:
            raw = stream.read(min(left, 1_000_000) * frame)
            values = np.frombuffer(raw[: len(raw) // frame * frame], dtype=type_)
            if bits == 24:
                # Three bytes, the lowest first; the sign stands in the highest.
                low, middle, high = values.reshape(-1, 3).astype(np.int32).T
                values = low + (middle << 8) + ((high ^ 128) - 128 << 16)
            values = values.astype(np.float32) - (128.0 if bits == 8 else 0.0)
            if not values.size:
                break
            left -= values.size // channels
            yield values.reshape(-1, channels).mean(1) / np.float32(full)
    if cut:
        yield None


# All others ---------------------------------------------------------------------------------------


def _packed(path):
    """Rate and pieces of what PyAV can read."""
    try:
        import av
    except ImportError:
        _refuse(
            path,
            'is no WAV inside; any other recording needs the extra "sound" (pip install '
            '"tuninglib[sound]"), or save it as WAV',
        )
    try:
        container = av.open(str(path), mode="r")
        stream = next(iter(container.streams.audio), None)
        if stream is None:
            _refuse(path, "holds no sound; name the recording itself")
        return int(stream.rate or 0), _packed_pieces(av, container, stream)
    except (av.error.FFmpegError, ValueError, OSError):
        _refuse(path, "is no recording that can be read, whatever its name says; save it as WAV")


def _packed_pieces(av, container, stream):
    resampler, some = av.AudioResampler(format="flt", layout="mono"), False
    with container:
        try:
            for frame in container.decode(stream):
                for one in resampler.resample(frame):
                    some = True
                    yield one.to_ndarray().ravel()
        except (av.error.FFmpegError, ValueError, OSError):
            # What was read before it broke off is used, as of other logs.
            if some:
                yield None


# The band in which a cylinder rings -------------------------------------------------------------

# One value of power for so long, a small part of a turn of the crank. [s]
RING_STEP_S = 0.001


def power_in_band(path: Path, low_hz: float, high_hz: float) -> np.ndarray | None:
    """Power of a recording between two frequencies, each ``RING_STEP_S``.

    Parameters
    ----------
    path : Path
        Of a recording that was read before.
    low_hz, high_hz : float

    Returns
    -------
    array or None
        [full scale squared]; None where its rate is too low to hold that band.
    """
    rate, pieces = _opened(path)
    if high_hz > 0.45 * rate:
        return None
    sections = butter(4, (low_hz, high_hz), "bandpass", fs=rate, output="sos")
    state, before = np.zeros((len(sections), 2)), 0
    done: list[tuple[int, np.ndarray]] = []
    for piece in pieces:
        if piece is None:
            break
        rings, state = sosfilt(sections, piece, zi=state)
        at = ((before + np.arange(rings.size)) / rate / RING_STEP_S).astype(int)
        first = at[0] if rings.size else 0
        done.append((first, np.bincount(at - first, rings**2)))
        before += rings.size
    power = np.zeros(int(before / rate / RING_STEP_S) + 1)
    for first, own in done:
        power[first : first + own.size] += own
    return power / (RING_STEP_S * rate)


# For the ear --------------------------------------------------------------------------------------

# More samples a second than this make a page larger and tell no more of a rattle.
_MOST_TO_HEAR_HZ = 24_000


def to_hear(path: Path, begin_s: float, end_s: float) -> bytes:
    """Some seconds of a recording as a small WAV file of one channel, as loud as it can hold.

    Parameters
    ----------
    path : Path
        Of a recording that was read before.
    begin_s, end_s : float

    Returns
    -------
    bytes
    """
    rate, pieces = _opened(path)
    first, last = round(begin_s * rate), round(end_s * rate)
    kept, before = [np.zeros(0, dtype=np.float32)], 0
    for piece in pieces:
        if piece is None or before >= last:
            break
        kept.append(piece[max(first - before, 0) : max(last - before, 0)])
        before += piece.size
    every = -(-rate // _MOST_TO_HEAR_HZ)
    samples = resample_poly(np.concatenate(kept), 1, every)
    loudest = np.abs(samples).max(initial=_SILENT)
    file = io.BytesIO()
    wavfile.write(file, rate // every, np.round(samples / loudest * 32_000).astype("<i2"))
    return file.getvalue()


# As a log -----------------------------------------------------------------------------------------


def read_recording(path: Path, cylinders: int, within_rpm: tuple[float, float] | None) -> Trace:
    """A recording as a log of engine speed.

    Parameters
    ----------
    path : Path
    cylinders : int
    within_rpm : tuple of float or None
        As :func:`tuninglib.statistics.engine_sound.heard_speed` has them.

    Returns
    -------
    Trace
        Without a channel where the engine is nowhere heard.

    Raises
    ------
    SessionError
        If it cannot be used, in one sentence.
    """
    if cylinders > 1 and within_rpm is None:
        _refuse(
            path,
            f"is of an engine with {cylinders} cylinders, which sounds like one with fewer at "
            "another speed; fill in [gearing] and type a speed, or leave the recording out",
        )
    sound = read_sound(path)
    heard = heard_speed(sound.samples, cylinders=cylinders, within_rpm=within_rpm)
    past = goes_past(heard)
    known = np.isfinite(heard.engine_speed_rpm).any() and not past
    cut = (LeftOut("breaks off", 0, int(heard.time_s.size)),) if sound.cut_short else ()
    return Trace(
        kind="sound",
        time_s=heard.time_s,
        started_utc_s=None,
        clock_s=None,
        channels={"engine_speed_rpm": heard.engine_speed_rpm} if known else {},
        rows=int(heard.time_s.size),
        left_out=cut,
        heard=heard,
        clipped=sound.clipped,
        goes_past=past,
    )
