"""What the bench of trust runs: two sets of vats, hours, sizes and seeds. Data, and how cases are made of it.

Law: `TUNING` is for whoever chooses limits; `JUDGED` is looked at once, with the last version. They share no seed and
no vat. A row keeps its cases whichever other rows are run. Sizes and shapes are common practice, no source.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum

from logger.structs import replace
from simulator.effects import Effect
from simulator.electrode import Electrode
from simulator.named_faults import DISTURBANCES, FAULTS
from simulator.runs import MARROW
from simulator.vat import Room, Vat

AFTER_H = 48.0
"""A fault is watched for so long."""
NIGHTS_A_RUN = 2
RISE_AT_H = 26.0
RISES = (0.02, 0.05, 0.1)
"""pH an hour by which mould makes a sour vat less sour, once a day has been seen."""
CLAIMED_FROM_PH = 4.35
"""So low is a vat that rises again after its target was claimed."""
CLAIM_AFTER_H = 30.0
EARLY_H = 3.0
"""A fault in the first hours of a watch is told apart: nothing was learnt yet."""


class Course(StrEnum):
    """What the vat itself does."""

    FALLING = "falling"
    """At `Case.from_ph` when the cause begins."""
    SOUR = "sour"
    """About 3.9 to 4.0, its sugar used up."""
    RISING = "rising"
    """As sour; mould eats acid from the cause on."""


class Section(StrEnum):
    """What is told together."""

    NOMINAL = "nominal sizes"
    EARLY = "nominal sizes, in the first hours of the watch"
    LARGE = "1.6 times as large"
    SMALL = "0.6 times as large"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A vat, the room around it and the electrode in it."""

    vat: Vat
    room: Room
    electrode: Electrode = field(default_factory=Electrode)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A fault or disturbance of one size; no name: there is none."""

    name: str
    size: float = 0.0
    section: Section = Section.NOMINAL

    @property
    def effect(self) -> Effect | None:
        """Return the effect of the simulator, if there is one."""
        return FAULTS.get(self.name) or DISTURBANCES.get(self.name)

    @property
    def label(self) -> str:
        """Return its name, and its size where it takes one."""
        return f"{self.name}:{self.size:g}" if self.effect and self.effect.unit else self.name

    def at(self, hour: float) -> tuple[str, ...]:
        """Return it as the simulator's options write it, as a tuple of none or one; what stands begins at 0 h."""
        if self.effect is None:
            return ()
        name, _, size = self.label.partition(":")
        return (f"{name}@{hour if self.effect.start_h else 0.0:g}{':' if size else ''}{size}",)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One simulated watch. Hours are run hours."""

    cause: Cause
    course: Course
    place: Place
    seed: int
    poll_s: float
    start_hour: float
    """Hour of the day at which it begins."""
    onset_h: float
    hours: float
    effects: tuple[str, ...]
    from_ph: float = 5.2
    spots_h: tuple[float, ...] = ()
    """Somebody compares with another instrument, which is right."""
    confirms: bool = False
    """Somebody compares again half an hour after the reading has come to the target."""
    rise: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrustSet:
    """Shapes that the cases of a row go through in turn."""

    name: str
    first_seed: int
    falling: tuple[Place, ...]
    sour: tuple[Place, ...]
    onsets_h: tuple[float, ...]
    start_hours: tuple[float, ...]
    polls_s: tuple[float, ...]
    scales: tuple[tuple[float, Section], ...]


def _vat(counts: tuple[float, float], rates: tuple[float, float] = (0.30, 0.24), *, work: float = 5.0) -> Vat:
    early = replace(MARROW.early, log10_cfu_ml=counts[0], mu20_per_h=rates[0], work_h0=work)
    late = replace(MARROW.late, log10_cfu_ml=counts[1], mu20_per_h=rates[1], work_h0=work)
    return replace(MARROW, early=early, late=late)


def _polls(at_60: tuple[int, ...], at_1: int, of: int) -> tuple[float, ...]:
    """Return 10 s, but for some places of 60 s and one of 1 s (which costs ten times as much)."""
    return tuple(60.0 if place in at_60 else 1.0 if place == at_1 else 10.0 for place in range(of))


_SOURED = _vat((7.6, 7.6), work=0.1)

TUNING = TrustSet(
    name="tuning",
    first_seed=1,
    falling=(
        Place(vat=_vat((5.0, 5.0)), room=Room()),
        Place(vat=_vat((5.5, 5.0), (0.22, 0.18), work=3.0), room=Room(mean_c=21.0)),
        Place(vat=replace(_vat((6.0, 5.0), work=4.0), ph_start=5.8), room=Room(mean_c=19.0, swing_c=1.5)),
    ),
    sour=(
        Place(vat=replace(_SOURED, sugar_mm=49.0), room=Room()),
        Place(
            vat=replace(_SOURED, sugar_mm=47.0),
            room=Room(mean_c=21.0),
            electrode=Electrode(noise_mv=0.05, wander_mv=0.15),
        ),
        Place(vat=replace(_SOURED, sugar_mm=51.0), room=Room(mean_c=19.0, swing_c=1.5)),
    ),
    onsets_h=(9.0, 26.0, 14.0, 2.5, 20.0),
    start_hours=(18.0, 8.0),
    polls_s=_polls((5, 13, 19), 9, of=23),
    scales=(),
)
JUDGED = TrustSet(
    name="judged",
    first_seed=1_000_001,
    falling=(
        Place(vat=replace(_vat((5.5, 5.0)), salt_percent=4.5), room=Room(mean_c=23.0, swing_c=3.0)),
        Place(vat=replace(_vat((5.8, 5.5)), ph_start=6.1), room=Room(mean_c=17.0, swing_c=2.0)),
        Place(
            vat=replace(_vat((5.0, 5.0)), ph_start=5.6, buffers_mm=(30.0, 22.0, 12.0), lag_h=6.0),
            room=Room(mean_c=20.0, swing_c=0.5),
            electrode=Electrode(slope=0.94, offset_mv=-12.0, noise_mv=0.5, wander_mv=1.2),
        ),
        Place(vat=replace(_vat((5.2, 4.6), (0.34, 0.28)), lag_h=14.0), room=Room(mean_c=22.0, swing_c=4.0)),
    ),
    sour=(
        Place(vat=replace(_SOURED, sugar_mm=48.0, salt_percent=3.5), room=Room(mean_c=23.0, swing_c=3.0)),
        Place(vat=replace(_SOURED, sugar_mm=50.0, ph_start=6.0), room=Room(mean_c=17.0, swing_c=2.0)),
        Place(
            vat=replace(_SOURED, sugar_mm=66.0, buffers_mm=(28.0, 21.0, 10.0)),
            room=Room(mean_c=20.0, swing_c=0.5),
            electrode=Electrode(slope=0.94, offset_mv=-12.0, noise_mv=0.5, wander_mv=1.2),
        ),
        Place(
            vat=replace(_SOURED, sugar_mm=46.0, lag_h=14.0),
            room=Room(mean_c=22.0, swing_c=4.0),
            electrode=Electrode(noise_mv=0.08, wander_mv=0.1),
        ),
    ),
    onsets_h=(6.0, 1.2, 17.0, 31.0, 2.2, 11.0, 24.0),
    start_hours=(21.0, 6.0, 13.0),
    polls_s=_polls((3, 8, 17, 22), 12, of=29),
    scales=((1.6, Section.LARGE), (0.6, Section.SMALL)),
)
SETS = {each.name: each for each in (TUNING, JUDGED)}

NONE = Cause(name="none")
TOLD_BY_THEMSELVES = ("overrange", "no-temperature", "hardware-error", "unplugged", "garbled", "slow")
"""Faults that leave no reading at all: nothing is to be believed."""
COOLED_LATER = "thermometer-stuck"
"""This fault harms only where the temperature changes: the vat is cooled some hours after it."""
COOLED_AFTER_H = 6.0
SCALED = (
    *("still-air", "draughty-air", "hairline-crack", "dry-junction", "damp-plug", "heater-leakage-10-min"),
    *("heater-leakage-2-h", "foam", "coating", "reference-drift", "offset", "defaults-restored", "thermometer-jumps"),
    *("connector-flapping", "refrigerator-20-min", "refrigerator-60-min", "warm-plumes", "thermometer-noise"),
    *("stirrer-noise", "pump-noise", "mains-hum", "gas-cushions", "stirring", "cold-top-up"),
)
"""What has a size that may be another; its first size is the nominal one."""
MOULD = "mould-rise"
SPILLS = ("lye-spill", "acid-spill")
"""The vat's own, and yet the same signal as a probe's step: a loss of trust is no false one."""
TRUE_ALARMS = {
    "cold-top-up": {"rise"},
    "vat-heated": {"warm", "temperature-high"},
    "vat-cooled": {"cool", "temperature-low", "slow-start", "no-start", "stall"},
    "lye-spill": {"rise", "rate-of-change", "stall"},
    "acid-spill": {"rate-of-change"},
}
"""Alarms that are right under a healthy cause, by its name."""
OWED = {"check-overdue", "calibration-overdue", "deadline", "deadline-warning", "unconfirmed"}
"""Alarms about what persons owe: no word on a fault, and no false one."""


def faults(chosen: TrustSet) -> list[Cause]:
    """Return the faults of a set, nominal sizes first."""
    effects = [effect for name, effect in FAULTS.items() if name not in TOLD_BY_THEMSELVES]
    return [NONE, *_sized(effects), *_scaled(effects, chosen)]


def disturbances(chosen: TrustSet) -> list[Cause]:
    """Return what healthy vats must bear, nominal sizes first."""
    effects = [effect for name, effect in DISTURBANCES.items() if name != MOULD]
    return [NONE, *_sized(effects), *_scaled(effects, chosen)]


def _sized(effects: list[Effect]) -> Iterator[Cause]:
    return (Cause(name=effect.name, size=size) for effect in effects for size in effect.sizes)


def _scaled(effects: list[Effect], chosen: TrustSet) -> Iterator[Cause]:
    for scale, section in chosen.scales:
        for effect in (effect for effect in effects if effect.name in SCALED):
            yield Cause(name=effect.name, size=round(scale * effect.sizes[0], 6), section=section)


def _base(chosen: TrustSet, cause: Cause, course: Course, row: int, turn: int, onset_h: float, hours: float) -> Case:
    places = chosen.falling if course is Course.FALLING else chosen.sour
    return Case(
        cause=cause,
        course=course,
        place=places[(row + turn) % len(places)],
        seed=chosen.first_seed + 1000 * row + turn,
        poll_s=chosen.polls_s[(row + 7 * turn) % len(chosen.polls_s)],
        start_hour=chosen.start_hours[(row + turn) % len(chosen.start_hours)],
        onset_h=onset_h,
        hours=hours,
        effects=cause.at(onset_h),
    )


def fault_cases(chosen: TrustSet, seeds: int) -> Iterator[Case]:
    """Yield faults x courses x seeds; a spot check two hours before, or half way in the first hours."""
    for row, cause in enumerate(faults(chosen)):
        for course, turn in ((course, turn) for course in Course for turn in range(seeds)):
            onset_h = chosen.onsets_h[(turn + row) % len(chosen.onsets_h)]
            early = onset_h <= EARLY_H and cause.section is Section.NOMINAL
            told = replace(cause, section=Section.EARLY) if early else cause
            case = _base(chosen, told, course, row, turn, onset_h, onset_h + AFTER_H)
            mould = (f"{MOULD}@{onset_h:g}:0.05",) if course is Course.RISING else ()
            cooled = (f"vat-cooled@{onset_h + COOLED_AFTER_H:g}:8",) if cause.name == COOLED_LATER else ()
            spot_h = onset_h - 2.0 if onset_h > EARLY_H else onset_h / 2.0
            yield replace(case, effects=(*case.effects, *mould, *cooled), spots_h=(spot_h,))


def night_cases(chosen: TrustSet, nights: int, plain: int) -> Iterator[Case]:
    """Yield healthy watches of two nights: so many nights under each cause, so many plain ones; half of them sour."""
    for row, cause in enumerate(disturbances(chosen)):
        for turn in range(-(-(plain if cause == NONE else nights) // NIGHTS_A_RUN)):
            onset_h = chosen.onsets_h[(turn // 2 + row) % len(chosen.onsets_h)]
            course = (Course.FALLING, Course.SOUR)[turn % 2]
            yield _base(chosen, cause, course, 200 + row, turn, onset_h, 24.0 * NIGHTS_A_RUN)


def rise_cases(chosen: TrustSet, seeds: int) -> Iterator[Case]:
    """Yield true rises in sour vats under each disturbance; what somebody does is done two hours into the rise.

    With them those of vats whose target was claimed just before, without a disturbance.
    """
    causes = [cause for cause in disturbances(chosen) if cause.name not in SPILLS]
    for row, cause in enumerate(causes):
        for turn, rise in ((turn, rise) for turn in range(seeds) for rise in RISES):
            case = _base(chosen, cause, Course.SOUR, 300 + row, turn, RISE_AT_H, RISE_AT_H + AFTER_H)
            effects = (*cause.at(RISE_AT_H + 2.0), f"{MOULD}@{RISE_AT_H:g}:{rise:g}")
            yield replace(case, rise=rise, effects=effects)
            if cause == NONE:
                claimed = _base(chosen, cause, Course.FALLING, 300 + row, turn, RISE_AT_H, RISE_AT_H + AFTER_H)
                spots_h = (RISE_AT_H - 4.0, RISE_AT_H - 1.5)
                yield replace(claimed, rise=rise, effects=effects, from_ph=CLAIMED_FROM_PH, spots_h=spots_h)


def claim_cases(chosen: TrustSet, seeds: int) -> Iterator[Case]:
    """Yield faults in vats that fall to the target and below, from 5.2 or 4.75 on, a spot check just before."""
    for row, cause in enumerate(cause for cause in faults(chosen) if cause.section is not Section.LARGE):
        for turn, (from_ph, confirms) in (
            (turn, habit) for turn in range(seeds) for habit in ((5.2, False), (5.2, True), (4.75, False), (4.75, True))
        ):
            onset_h = max(6.0, chosen.onsets_h[(turn + row) % len(chosen.onsets_h)])
            case = _base(chosen, cause, Course.FALLING, 400 + row, turn, onset_h, onset_h + CLAIM_AFTER_H)
            spots_h = (onset_h - 0.5,) if from_ph > 5.0 else (onset_h - 5.0, onset_h - 0.5)
            yield replace(case, from_ph=from_ph, confirms=confirms, spots_h=spots_h)


def chosen_only(cases: Iterable[Case], only: tuple[str, ...]) -> list[Case]:
    """Return the cases of causes whose label holds one of these words, with those of none beside; no words: all."""
    every = list(cases)
    chosen = [case for case in every if not only or any(word in case.cause.label for word in only)]
    beside = [case for case in every if case.cause.name == NONE.name and case not in chosen]
    return [*beside, *chosen] if chosen else []
