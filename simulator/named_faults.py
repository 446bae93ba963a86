"""Look up named faults and disturbances, and read them as they are written: NAME[@FROM[-TO]][:SIZE].

Law: `FAULTS` and `DISTURBANCES` hold every one by its name, and no name is in both.
"""

import difflib
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from types import MappingProxyType

from simulator.disturbances import DISTURBANCE_ROWS
from simulator.effects import Effect, Occurrence
from simulator.instrument_faults import INSTRUMENT_FAULTS
from simulator.probe_faults import PROBE_FAULTS

FORM = "NAME[@FROM[-TO]][:SIZE]"
_WRITTEN = re.compile(r"(?P<name>[^@:]+)(@(?P<start>[^@:-]+)(-(?P<end>[^@:-]+))?)?(:(?P<size>[^@:]+))?")


def _by_name(effects: Iterable[Effect]) -> Mapping[str, Effect]:
    return MappingProxyType({effect.name: effect for effect in effects})


FAULTS: Mapping[str, Effect] = _by_name((*PROBE_FAULTS, *INSTRUMENT_FAULTS))
DISTURBANCES: Mapping[str, Effect] = _by_name(DISTURBANCE_ROWS)


def fault(text: str) -> Occurrence:
    """Return the fault that a text such as `still-air@3-3.25:4` says. Raises ValueError that says what is wrong."""
    return _occurrence(text, FAULTS, "fault")


def disturbance(text: str) -> Occurrence:
    """Return the disturbance that a text such as `mould-rise@6:0.05` says. Raises ValueError."""
    return _occurrence(text, DISTURBANCES, "disturbance")


def listed() -> Iterator[str]:
    """Yield a line for each of them: name, sizes worth trying (the first is the default), what it is."""
    width = max(map(len, (*FAULTS, *DISTURBANCES)))
    for title, effects in (("Faults (--fault)", FAULTS), ("Disturbances (--disturbance)", DISTURBANCES)):
        yield f"{title}, written {FORM} in run hours:"
        for effect in effects.values():
            yield f"  {effect.name:<{width}}  {effect.summary}; from {effect.start_h:g} h{_sizes(effect)}"


def _sizes(effect: Effect) -> str:
    return f"; SIZE {', '.join(f'{size:g}' for size in effect.sizes)} {effect.unit}" if effect.unit else ""


def _occurrence(text: str, effects: Mapping[str, Effect], word: str) -> Occurrence:
    match = _WRITTEN.fullmatch(text)
    if not match:
        raise ValueError(f"{text!r} is not {FORM}, such as {next(iter(effects))}@3-3.5")
    effect = _effect(match["name"], effects, word)
    start_h = effect.start_h if match["start"] is None else _number(match["start"], "run hours")
    end_h = start_h + effect.lasts_h if match["end"] is None else _number(match["end"], "run hours")
    if not 0.0 <= start_h < end_h:
        raise ValueError(f"{text!r}: it must begin at 0 h or later, and end after that")
    return Occurrence(effect=effect, start_h=start_h, end_h=end_h, size=_size(match["size"], effect))


def _effect(name: str, effects: Mapping[str, Effect], word: str) -> Effect:
    if name in effects:
        return effects[name]
    if name in FAULTS or name in DISTURBANCES:
        raise ValueError(f"{name!r} is no {word}: write it after --{'fault' if name in FAULTS else 'disturbance'}")
    near = difflib.get_close_matches(name, effects, n=3, cutoff=0.4)
    hint = f"did you mean {', '.join(near)}?" if near else f"there are: {', '.join(effects)}"
    raise ValueError(f"no {word} is named {name!r}; {hint}")


def _size(text: str | None, effect: Effect) -> float:
    if text is None:
        return effect.sizes[0]
    if not effect.unit:
        raise ValueError(f"{effect.name} takes no size: leave out :{text}")
    size = _number(text, effect.unit)
    if not effect.least <= size <= effect.most:
        raise ValueError(f"{effect.name}: {text} is not from {effect.least:g} to {effect.most:g} {effect.unit}")
    return size


def _number(text: str, unit: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is no number ({unit})")
    return value
