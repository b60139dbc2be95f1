"""AES69 (SOFA) files: a head that somebody measured in, responses out.

Of a head file, the taps of both ears and the directions they are from are used; the taps'
common delay and level are found, since files differ in both. Reading and writing needs the
package ``sofar``. Theory: DEVELOPERS.md, H2 and H5.
"""

import contextlib
import io
import math
import os
import warnings
from pathlib import Path
from types import ModuleType
from typing import Any, Final

import numpy as np
from scipy import fft

from raysim.errors import AudioError, Complaint
from raysim.response.ears import MeasuredHead, SphereHead, even_directions
from raysim.response.heard import HeardResponse
from raysim.response.sphere import onset_over_radius
from raysim.units import Float, to_level_db

#: The convention of files of heads, and that of responses of a room.
_HEAD, _ROOM = "SimpleFreeFieldHRIR", "SingleRoomSRIR"
#: Fewest directions, and widest hole between them, degrees: without anything above or
#: below it is 90.
_FEWEST, _WIDEST_DEG = 36, 95.0
#: Least cosine to an ear at which it is lit: there its first sound is its greatest.
_LIT: Final = 0.5
#: Where the level is compared with that of a sphere, Hz: a head is little else there.
_LEVEL_HZ: Final = (250.0, 1000.0)
#: A file whose level differs by more from that of a sphere is brought to it, dB.
_LEVEL_DB: Final = 1.0
_SPEED_M_S: Final = 343.0
#: Radii of heads, m; what a file says beyond them is not believed.
_RADII_M: Final = (0.07, 0.11)
_N_EVEN: Final = 500


def _sofar() -> ModuleType:
    try:
        import sofar
    except ImportError as error:
        raise AudioError(
            Complaint("sofa", f"the package sofar is not there: {error}.",
                      "Install it: pip install sofar.", "RS-L02")
        ) from error  # fmt: skip
    module: ModuleType = sofar
    return module


def read_head(path: Path) -> MeasuredHead:
    """Read a head from an AES69 file of convention SimpleFreeFieldHRIR.

    Returns
    -------
    MeasuredHead
        At a level re free field at the middle of the head: a file whose mean over all
        directions from 250 Hz to 1 kHz is more than 1 dB off that of a sphere is brought to
        it. When sound is at the middle follows from when it is at the ears.

    Raises
    ------
    AudioError
        RS-L02: sofar is not installed. RS-L03: no such file. RS-L04: damaged, or not such
        a file. RS-L05: another convention. RS-L06: its contents cannot be used.
    """
    if not path.is_file():
        raise AudioError(
            Complaint(str(path), "no such file.", "Check the name and the folder.", "RS-L03")
        )
    sofar = _sofar()
    try:
        # what the library says of small matters is not for users
        with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
            warnings.simplefilter("ignore")
            held = sofar.read_sofa(os.fspath(path), verify=False, verbose=False)
    except Exception as error:  # the library and those below raise many kinds
        raise AudioError(
            Complaint(
                str(path), f"cannot be read as AES69: {_first_line(error)}",
                "Copy it again; it must be a whole .sofa file.", "RS-L04",
            )
        ) from error  # fmt: skip
    convention = str(getattr(held, "GLOBAL_SOFAConventions", "?"))
    if convention != _HEAD:
        raise AudioError(
            Complaint(str(path), f'it is of convention "{convention}".',
                      f"Give a head's file, of convention {_HEAD}.", "RS-L05")
        )  # fmt: skip
    try:
        return _head(path, held)
    except (AttributeError, IndexError, TypeError, ValueError) as error:
        raise _refuse(
            path, f"its parts do not fit together: {_first_line(error)}", "Export it again."
        ) from error


def _first_line(error: Exception) -> str:
    text = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    return f"{lines[0].rstrip('.')}." if lines else f"{type(error).__name__}."


def _refuse(path: Path, wrong: str, fix: str) -> AudioError:
    return AudioError(Complaint(str(path), wrong, fix, "RS-L06"))


def _head(path: Path, held: Any) -> MeasuredHead:  # noqa: ANN401
    taps = np.atleast_3d(np.asarray(held.Data_IR, np.float64))
    n, n_ear = taps.shape[:2]
    rate = int(np.ravel(held.Data_SamplingRate)[0])
    direction = _directions(held, n)
    if n_ear != 2:
        raise _refuse(path, f"it has {n_ear} ears.", "Give a file with a left and a right one.")
    if not 8_000 <= rate <= 768_000:
        raise _refuse(path, f"its sample rate is {rate} Hz.", "Export it again.")
    if not np.isfinite(taps).all() or not np.isfinite(direction).all():
        raise _refuse(path, "not all its numbers are finite.", "Export it again.")
    if not np.abs(taps).max(axis=(0, 2)).all():
        raise _refuse(path, "one of its ears is silent.", "Export it again.")
    even = even_directions(_N_EVEN)
    nearest = (even @ direction.T).max(axis=1)
    hole_deg = math.degrees(math.acos(min(1.0, float(nearest.min()))))
    if n < _FEWEST or hole_deg > _WIDEST_DEG:
        raise _refuse(
            path,
            f"it has {n} directions and a hole of {hole_deg:.0f} degrees between them.",
            f"Give one with {_FEWEST} or more, all round the head.",
        )
    places = np.asarray(held.ReceiverPosition, np.float64).reshape(2, 3, -1)[..., 0]
    if "spherical" in str(held.ReceiverPosition_Type):
        places = _cartesian(places)
    delay = np.broadcast_to(np.asarray(held.Data_Delay, np.float64).reshape(-1, 2), (n, 2))
    taps = _delayed(taps, delay)
    if places[0, 1] < places[1, 1]:  # here the left ear comes first
        taps = taps[:, ::-1]
    middle_s, radius_m = _middle(taps, rate, direction)
    sphere = SphereHead(float(np.clip(radius_m, *_RADII_M)))
    gain_db = _off_sphere_db(taps, rate, direction, sphere)
    name = str(getattr(held, "GLOBAL_ListenerShortName", "")) or path.stem
    said = f"{name}, {n} directions, none more than {hole_deg:.0f} degrees off"
    if abs(gain_db) > _LEVEL_DB:
        taps = taps * 10.0 ** (-gain_db / 20.0)
        said += f", its level changed by {-gain_db:+.1f} dB to that of a sphere"
    return MeasuredHead(direction, taps, rate, middle_s, said, sphere)


def _cartesian(spherical: Float) -> Float:
    azimuth, elevation = np.radians(spherical[:, 0]), np.radians(spherical[:, 1])
    along = np.cos(elevation) * spherical[:, 2]
    return np.stack(
        [along * np.cos(azimuth), along * np.sin(azimuth),
         np.sin(elevation) * spherical[:, 2]], axis=1,
    )  # fmt: skip


def _directions(held: Any, n: int) -> Float:  # noqa: ANN401
    """Give where each measured sound came from, in the head's axes, (n, 3)."""
    at = np.atleast_2d(np.asarray(held.SourcePosition, np.float64))
    if "spherical" in str(held.SourcePosition_Type):
        at = _cartesian(at)
    listener = np.atleast_2d(np.asarray(held.ListenerPosition, np.float64))
    at = np.broadcast_to(at - listener, (n, 3))
    ahead = np.atleast_2d(np.asarray(held.ListenerView, np.float64))
    up = np.atleast_2d(np.asarray(held.ListenerUp, np.float64))
    if "spherical" in str(held.ListenerView_Type):
        ahead, up = _cartesian(ahead), _cartesian(up)
    left = np.cross(up, ahead)
    axes = np.stack(np.broadcast_arrays(ahead, left, np.cross(ahead, left)), axis=1)
    axes = axes / np.linalg.norm(axes, axis=2, keepdims=True)
    seen = np.einsum("nij,nj->ni", np.broadcast_to(axes, (n, 3, 3)), at)
    return np.asarray(seen / np.linalg.norm(seen, axis=1, keepdims=True))


def _delayed(taps: Float, delay: Float) -> Float:
    """Put what the file says of delays, in samples, (n, 2), before the taps."""
    if not delay.any():
        return taps
    n = fft.next_fast_len(taps.shape[-1] + math.ceil(delay.max()) + 64, real=True)
    turn = np.exp(-2j * math.pi * fft.rfftfreq(n) * delay[..., None])
    return np.asarray(fft.irfft(fft.rfft(taps, n) * turn, n))


def _middle(taps: Float, rate: int, direction: Float) -> tuple[float, float]:
    """Give when sound would be at the middle of the head, s, and the head's radius, m  (H2).

    First sounds at the lit ear fit t + (a / c) w, with w of a sphere.
    """
    cosine = direction @ SphereHead().ears.T
    row, ear = np.nonzero(cosine >= _LIT)
    lit = np.abs(taps[row, ear])
    peak = np.clip(np.argmax(lit, axis=1), 1, lit.shape[1] - 2)
    at = np.arange(len(lit))
    low, top, high = (lit[at, peak + i] for i in (-1, 0, 1))
    bend = low - 2.0 * top + high
    aside = np.divide(0.5 * (low - high), bend, out=np.zeros_like(bend), where=bend < 0.0)
    arrived_s = (peak + aside) / rate
    shape = np.stack([np.ones(row.size), onset_over_radius(cosine[row, ear])], axis=1)
    kept = np.ones(row.size, dtype=bool)
    for _ in range(2):  # once more without what lies far off
        fitted, *_rest = np.linalg.lstsq(shape[kept], arrived_s[kept], rcond=None)
        off = np.abs(arrived_s - shape @ fitted)
        kept = off <= 3.0 * np.median(off) + 1e-9
    return float(fitted[0]), float(fitted[1]) * _SPEED_M_S


def _off_sphere_db(taps: Float, rate: int, direction: Float, sphere: SphereHead) -> float:
    """Give the level of the ears over that of a sphere's, mean of all directions."""
    n = fft.next_fast_len(max(taps.shape[-1], rate // 50), real=True)
    freq_hz = fft.rfftfreq(n, 1.0 / rate)
    used = (freq_hz >= _LEVEL_HZ[0]) & (freq_hz <= _LEVEL_HZ[1])
    even = even_directions(_N_EVEN)
    nearest = np.unique(np.argmax(even @ direction.T, axis=1), return_counts=True)
    share = nearest[1] / _N_EVEN
    got = np.abs(fft.rfft(taps[nearest[0]], n)[..., used]) ** 2
    far = np.full(_N_EVEN, np.inf)
    wanted = np.abs(sphere.transfer(even, far, freq_hz[used], _SPEED_M_S)) ** 2
    return float(to_level_db(np.einsum("n,nef->", share, got) / wanted.mean(axis=1).sum()))


def write_sofa(path: Path, heard: HeardResponse, title: str, comment: str) -> None:
    """Write a response as an AES69 file of convention SingleRoomSRIR, whole or not at all.

    Parameters
    ----------
    path : Path
    heard : HeardResponse
        Channels become receivers, in their order; their names stand in the file.
    title, comment : str

    Raises
    ------
    AudioError
        RS-L02: sofar is not installed. RS-W09: the file cannot be written.
    """
    sofar = _sofar()
    made = sofar.Sofa(_ROOM)
    made.GLOBAL_RoomType = "reverberant"
    made.GLOBAL_Title = title
    made.GLOBAL_Comment = comment
    made.GLOBAL_ApplicationName = "raysim"
    made.GLOBAL_License = "as the owner of the scene says"
    n_channel = len(heard.channels)
    made.Data_IR = heard.samples[None]
    made.Data_SamplingRate = float(heard.sample_rate_hz)
    made.Data_Delay = np.zeros((1, n_channel))
    ears = SphereHead().radius_m * SphereHead().ears
    is_head = heard.channels == ("left", "right")
    made.ReceiverPosition = ears if is_head else np.zeros((n_channel, 3))
    made.ReceiverPosition_Type, made.ReceiverPosition_Units = "cartesian", "metre"
    ahead, up = (np.tile(np.eye(3)[i], (n_channel, 1))[..., None] for i in (0, 2))
    made.ReceiverView, made.ReceiverUp = ahead, up
    made.GLOBAL_ReceiverDescription = f"{heard.what}; channels {', '.join(heard.channels)}"
    # optional lists of texts, which not every version of the libraries below can write
    made.delete("ReceiverDescriptions")
    made.delete("EmitterDescriptions")
    part = path.with_name(f".{path.stem}.part.sofa")
    try:
        with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
            warnings.simplefilter("ignore")
            sofar.write_sofa(os.fspath(part), made)
        os.replace(part, path)
    except OSError as error:
        raise AudioError(
            Complaint(str(path), f"cannot be written: {_first_line(error)}",
                      "Check that the folder exists, may be written to and has room.",
                      "RS-W09")
        ) from error  # fmt: skip
    finally:
        with contextlib.suppress(OSError):
            part.unlink()
