"""Define the named runs: vat, electrode, faults and when they happen. Data only.

Law: a run and a seed determine everything; hours are hours since the run's begin. Names of vats are invented.
"""

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from simulator.effects import Occurrence
from simulator.electrode import Electrode
from simulator.faults import Fault, FaultPeriod
from simulator.operator_actions import OperatorAction
from simulator.vat import HeaterFailure, Population, Room, Vat

FIRST_DAY = "2026-11-24"
"""The day on which every run begins, unless its caller says otherwise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One run: `summary` is its line in the list."""

    name: str
    summary: str
    hours: float
    vat: Vat
    vat_id: str = "marrow"
    start_hour: float = 18.0
    """Hour of the day (UTC) at which it begins."""
    room: Room = field(default_factory=Room)
    electrode: Electrode = field(default_factory=Electrode)
    events: tuple[FaultPeriod, ...] = ()
    actions: tuple[OperatorAction, ...] = ()
    """What the operator does and marks; a run that begins at the filling is marked as started."""
    faults: tuple[Occurrence, ...] = ()
    """Named faults that its caller adds."""
    disturbances: tuple[Occurrence, ...] = ()
    """Named disturbances that its caller adds: they come first, for the probe stands in a vat."""
    scattered: bool = False
    """The seed draws the vat itself, not only the noise."""


MARROW = Vat(  # chosen so that pH is 5.22 some 45 hours after filling and falls through 4.6 some eight hours later
    early=Population(log10_cfu_ml=5.0, mu20_per_h=0.30, t_min_c=-1.5, ph_min=4.15, work_h0=5.0),
    late=Population(log10_cfu_ml=5.0, mu20_per_h=0.24, t_min_c=2.0, ph_min=3.42, work_h0=5.0),
    age_h=45.3,
    ph_start=5.9,
    buffers_mm=(20.0, 16.0, 8.0),
    lag_h=6.0,
)

WILD = Vat(  # no starter; ranges from a trial on simulated vats
    early=Population(log10_cfu_ml=4.0, mu20_per_h=0.32, t_min_c=-1.5, ph_min=4.15),
    late=Population(log10_cfu_ml=2.8, mu20_per_h=0.24, t_min_c=2.0, ph_min=3.42),
    ph_start=6.0,
)
STARTER = Vat(
    early=Population(log10_cfu_ml=5.2, mu20_per_h=0.32, t_min_c=-1.5, ph_min=4.15),
    late=Population(log10_cfu_ml=4.0, mu20_per_h=0.24, t_min_c=2.0, ph_min=3.42),
    ph_start=5.8,
)
TEA = Vat(  # a stand-in for acetic acid bacteria and yeasts: it sours, and what lives in it bears more acid
    early=Population(log10_cfu_ml=6.2, mu20_per_h=0.30, t_min_c=5.0, ph_min=2.8),
    late=Population(log10_cfu_ml=5.0, mu20_per_h=0.24, t_min_c=5.0, ph_min=2.5),
    ph_start=4.6,
)
FINISHED = replace(MARROW, age_h=288.0, sugar_mm=66.0)
"""Twelve days old: the sugar is used up."""


def _night(hour: float, minute: float = 0.0) -> float:
    """Return run hours of a clock time in a run that begins at 18:00."""
    return (hour - 18.0) % 24.0 + minute / 60.0


def _fault_run(name: str, summary: str, *events: FaultPeriod, hours: float = 8.0) -> Run:
    return Run(name=name, summary=summary, hours=hours, vat=MARROW, events=events)


_LONG_FOAM = Run(
    name="long-foam",
    summary="14 h night of a vat named Marrow: stirring 19:10, heater fails 20:06-01:30, unplugged 21:16-21:25, "
    "foam lifts the probe 23:22-00:32, probe knocked 05:26-06:08; pH 5.2 to about 4.4",
    hours=14.0,
    vat=MARROW,
    room=Room(mean_c=20.2, failures=(HeaterFailure(start_h=_night(20, 6), end_h=_night(1, 30), drop_c=6.0),)),
    events=(
        FaultPeriod(fault=Fault.STIRRED, start_h=_night(19, 10), end_h=_night(19, 16)),
        FaultPeriod(fault=Fault.UNPLUGGED, start_h=_night(21, 16), end_h=_night(21, 25)),
        FaultPeriod(fault=Fault.OUT_OF_LIQUID, start_h=_night(23, 22), end_h=_night(0, 32)),
        FaultPeriod(fault=Fault.KNOCKED, start_h=_night(5, 26), end_h=_night(6, 8)),
    ),
)

_DEMO_NIGHT = replace(
    _LONG_FOAM,
    name="demo-night",
    summary="14 h, as long-foam, but the probe stays in the vat and the heater is off 20:06-23:00 only",
    room=Room(mean_c=20.2, failures=(HeaterFailure(start_h=_night(20, 6), end_h=_night(23, 0), drop_c=9.0),)),
    events=tuple(event for event in _LONG_FOAM.events if event.fault is not Fault.OUT_OF_LIQUID),
)

_ALL = (
    Run(name="normal-night", summary="14 h, a starter-led vat falls from pH 5.3 to about 4.35", hours=14.0, vat=MARROW),
    Run(name="quiet-night", summary="14 h, a finished vat at about pH 3.8: nothing happens", hours=14.0, vat=FINISHED),
    _LONG_FOAM,
    _DEMO_NIGHT,
    Run(
        name="stuck-vat",
        summary="96 h from filling, far too much salt: pH stays near 5.9",
        hours=96.0,
        vat=replace(MARROW, age_h=0.0, salt_percent=11.0),
    ),
    Run(
        name="ph-rise",
        summary="66 h, film yeasts eat the acid of a finished vat: pH rises from 3.8 through 4.6 at about 60 h",
        hours=66.0,
        vat=replace(FINISHED, film_cover=4e-11, film_mm_h=3.4),
    ),
    Run(
        name="cold-night",
        summary="14 h, the room's heater fails at 19:30 for good: the vat falls below 16 C, acid almost stops",
        hours=14.0,
        vat=MARROW,
        room=Room(failures=(HeaterFailure(start_h=_night(19, 30), end_h=1e3, drop_c=7.0),)),
    ),
    Run(
        name="wild-vat",
        summary="120 h from filling, no starter; the seed draws the vat",
        hours=120.0,
        vat=WILD,
        scattered=True,
    ),
    Run(
        name="starter-vat",
        summary="96 h from filling, with starter; the seed draws the vat",
        hours=96.0,
        vat=STARTER,
        scattered=True,
    ),
    Run(
        name="cucumber-vat",
        summary="120 h from filling, cucumbers in 5.5 % brine, warm; the seed draws the vat",
        hours=120.0,
        vat=replace(STARTER, early=replace(STARTER.early, log10_cfu_ml=5.8), salt_percent=5.5),
        room=Room(mean_c=23.0),
        scattered=True,
    ),
    Run(
        name="kombucha-vat",
        summary="120 h from filling, a tea seeded to about pH 4.6 that acid-loving bacteria sour; the seed draws it",
        hours=120.0,
        vat=TEA,
        room=Room(mean_c=25.0),
        scattered=True,
    ),
    Run(
        name="vinegar-vat",
        summary="120 h from filling, about pH 3.3 at 28 C, falling slowly; the seed draws the vat",
        hours=120.0,
        vat=replace(TEA, ph_start=3.3),
        room=Room(mean_c=28.0),
        scattered=True,
    ),
    Run(
        name="stalled-vat",
        summary="48 h, a mash with little sugar: pH falls from 5.5 to 4.9 in 16 h and stays there",
        hours=48.0,
        vat=replace(MARROW, age_h=48.0, sugar_mm=14.0),
    ),
    Run(
        name="topped-up",
        summary="20 h, a finished vat; at 4 h a third of the brine has leaked away and is topped up and marked",
        hours=20.0,
        vat=FINISHED,
        actions=(OperatorAction(hour=4.0, mark="topped-up", litres=60.0, part=0.3),),
    ),
    Run(
        name="stirred",
        summary="14 h, as normal-night, stirred for 6 min at 2 h and at 7 h, which is marked: spikes, nothing else",
        hours=14.0,
        vat=MARROW,
        events=tuple(FaultPeriod(fault=Fault.STIRRED, start_h=hour, end_h=hour + 0.1) for hour in (2.0, 7.0)),
        actions=(OperatorAction(hour=2.0, mark="stirred"), OperatorAction(hour=7.0, mark="stirred")),
    ),
    _fault_run(
        "probe-knocked",
        "8 h, knocked at 3.0 h for good: jumps of several pH",
        FaultPeriod(fault=Fault.KNOCKED, start_h=3.0),
    ),
    Run(
        name="probe-out",
        summary="8 h, out of the liquid 3.0-5.0 h: pH wanders, temperature is that of a room 4 C colder",
        hours=8.0,
        vat=replace(MARROW, lag_h=18.0),
        room=Room(failures=(HeaterFailure(start_h=1.0, end_h=1e3, drop_c=5.0),)),
        events=(FaultPeriod(fault=Fault.OUT_OF_LIQUID, start_h=3.0, end_h=5.0),),
    ),
    _fault_run(
        "frozen",
        "14 h, potential frozen 2.0-6.0 h while temperature goes on, both frozen 8.0-12.0 h",
        FaultPeriod(fault=Fault.FROZEN_POTENTIAL, start_h=2.0, end_h=6.0),
        FaultPeriod(fault=Fault.FROZEN, start_h=8.0, end_h=12.0),
        hours=14.0,
    ),
    _fault_run(
        "unplugged",
        "8 h, the port goes away 2.0-2.5 h and 5.0-5.1 h",
        FaultPeriod(fault=Fault.UNPLUGGED, start_h=2.0, end_h=2.5),
        FaultPeriod(fault=Fault.UNPLUGGED, start_h=5.0, end_h=5.1),
    ),
    _fault_run(
        "garbled", "8 h, replies with flipped bits 2.0-2.5 h", FaultPeriod(fault=Fault.GARBLED, start_h=2.0, end_h=2.5)
    ),
    _fault_run(
        "slow", "8 h, replies 3 real seconds late 2.0-2.5 h", FaultPeriod(fault=Fault.SLOW, start_h=2.0, end_h=2.5)
    ),
    _fault_run(
        "sensor-faults",
        "8 h, no temperature 2.0-2.5 h, overrange 4.0-4.5 h, hardware error 6.0-6.5 h",
        FaultPeriod(fault=Fault.NO_TEMPERATURE, start_h=2.0, end_h=2.5),
        FaultPeriod(fault=Fault.OVERRANGE, start_h=4.0, end_h=4.5),
        FaultPeriod(fault=Fault.HARDWARE_ERROR, start_h=6.0, end_h=6.5),
    ),
)

RUNS: Mapping[str, Run] = MappingProxyType({run.name: run for run in _ALL})


def find_run(name: str) -> Run:
    """Return the run of that name. Raises LookupError that names the nearest runs."""
    if name not in RUNS:
        near = difflib.get_close_matches(name, RUNS, n=3, cutoff=0.4)
        hint = f"did you mean {', '.join(near)}?" if near else f"there are: {', '.join(RUNS)}"
        raise LookupError(f"no run is named {name!r}; {hint}")
    return RUNS[name]
