"""Hold the sentences of a guided session. Law: each says what to do, at the moment it is due."""

from collections.abc import Sequence

from logger.measure.buffers import Buffer
from logger.model import CalibrationPoint

NO_BREAK = "\u00a0"
"""Holds together what belongs together when a line is folded: a key and its word, a command."""
AS_FOUND = (
    "First as it is found: do not clean the bulb or refill the electrode yet. What the calibration in force reads in "
    "the same buffers is kept with the result; it tells how far the log since then is off."
)
WARM = "Probe and buffers should have stood together until they are equally warm, best at 20 to 25 C."
NOT_STABLE = "Not yet: it can be taken while it says STABLE. [r] starts again, [s] skips this buffer."
UNKNOWN = "Which buffer is it? Press its number; or [s] skip it and look at what is said above."
INSIST = (
    "The potential is not that of the buffer you named. Press Enter once more to take it all the same: the result "
    "will show how well it fits."
)
SKIPPED = "Skipped; nothing was taken."
REPLACED = "It takes the place of the point taken in this buffer before."
AGAIN = "Take a buffer again: its new point takes the place of the old one. [f] finishes."
NOTHING_TAKEN = "Nothing has been taken yet: [q] ends without changing anything."
TIME_OUT_KEYS = "Waiting goes on; [r] starts again, [s] skips this buffer, [q] stops without changing anything."
YES_OR_NO = (
    "Put it into force? It wants y or n; Enter alone is neither. With [n] it is stored, and can be put in force later; "
    "[b] takes a buffer again."
)
STOPPED = "Stopped: nothing was changed, the calibration in force stays."
KEPT_ANYWAY = "Ended: what was kept stays kept."
CUT_OFF = "Cut off while it was being stored: it may be. `vatvigil calibration list` shows what is in force."
BACK = (
    "Now keep the bulb wet: rinse the probe with distilled water and put it back into the vat, bulb and junction "
    "under the brine. Press Enter when it is back."
)


def put_back(vat: str) -> str:
    """Say what is left to do when the session ends without the word that the probe is back."""
    return (
        "Keep the bulb wet: put the probe back into the vat. Until you say that it is back its readings are not "
        f"believed and the alarms of the vat stay held back: `vatvigil mark {vat} probe-in`."
    )


def next_glass(buffers: Sequence[Buffer], points: Sequence[CalibrationPoint], *, wanted: int) -> list[str]:
    """Say how the probe comes into the next glass, the buffers with their keys. Common practice, no source."""
    used = {point.buffer for point in points}
    left = [buffer for buffer in buffers if buffer.id not in used] or list(buffers)
    number = {buffer.id: f"[{n}]{NO_BREAK}" if len(buffers) > 1 else "" for n, buffer in enumerate(buffers, start=1)}
    names = " or ".join(number[buffer.id] + named_ph(buffer) for buffer in left[1:])
    others = f", or {names}: the order is yours" if left[1:] else ""
    return [
        "",
        f"Buffer {len(points) + 1} of {max(wanted, len(points) + 1)}",
        "  Rinse the probe with distilled water and blot it with soft paper; never wipe the bulb.",
        f"  Put it into {number[left[0].id]}{title(left[0])}{others}.",
        "  Bulb and junction covered, not past the immersion line. Stir once, then let it stand free of the glass.",
    ]


def time_out(seconds: float) -> str:
    """Say that the potential keeps the person waiting."""
    return f"Not stable after {seconds:.0f} s. What to look for:"


def named(buffer: Buffer) -> str:
    """Say that the person named the buffer."""
    return f"Named by you: {title(buffer)}."


def named_ph(buffer: Buffer) -> str:
    """Name a buffer with its pH, as it stands on most labels."""
    return f"{buffer.id}{NO_BREAK}(pH{NO_BREAK}{buffer.nominal_ph:.2f})"


def taken_before(points: Sequence[CalibrationPoint]) -> list[str]:
    """Say which points of a session that was cut off are gone on with."""
    return ["Taken before it was cut off:", *(f"  - {_point(point)}" for point in points)]


def kept_for_resuming(points: Sequence[CalibrationPoint], command: str) -> str:
    """Say that the points taken are kept for a while, and how to go on with them."""
    taken = ", ".join(f"{point.buffer or 'a buffer'} (pH {point.buffer_ph:.2f})" for point in points)
    return f"What was taken is kept for an hour: {taken}. To go on with it: `{command.replace(' ', NO_BREAK)}`."


def _point(point: CalibrationPoint) -> str:
    where = f"{point.buffer or 'buffer'}, pH {point.buffer_ph:.3f}"
    return f"{where}: {point.potential_mv:+.1f} mV at {point.temperature_c:.1f} C"


def title(buffer: Buffer) -> str:
    """Name a buffer with its standard, its pH at 25 C and its lot."""
    lot = f", lot {buffer.lot}" if buffer.lot else ""
    return f"{buffer.id} (pH {buffer.nominal_ph:.2f} at 25 C{lot})"


def accepted_point(point: CalibrationPoint, *, others: Sequence[CalibrationPoint], spread_c: float) -> list[str]:
    """Say what was taken, and warn when the buffers are not equally warm."""
    settled = "" if point.settle_s is None else f", 95 % of its way in {point.settle_s:.0f} s"
    figures = f"{point.potential_mv:+.1f} mV at {point.temperature_c:.1f} C (noise {point.noise_mv:.2f} mV{settled})"
    lines = [f"Taken: {point.buffer}, pH {point.buffer_ph:.3f} at that temperature: {figures}."]
    far = max(others, key=lambda p: abs(p.temperature_c - point.temperature_c), default=point)
    if abs(far.temperature_c - point.temperature_c) > spread_c:
        lines.append(
            f"Warning: this buffer is at {point.temperature_c:.1f} C, {far.buffer} was at {far.temperature_c:.1f} C. "
            "Let the glasses stand together until they are equally warm, then take the odd one again."
        )
    return lines
