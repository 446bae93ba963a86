"""Declare every kind of alarm, once: one row holds all that is said and done of it. Law: as in `logger/config`.

To add a kind, add a row here and, where it looks at something that no other kind does, its measure function (groups,
signals and look-backs in `kind_row.py` say in which file). Delays and limits in `defaults` are common practice, no
source; those of `no-start` and `stall` come from trials on simulated vats.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Final, Self

from logger.config.kind_row import Group, Health, KindRow, LookBack, Presence, Priority, Signal

_PH = (-2.0, 16.0)
_AT_ONCE = {"on_delay_s": 0.0, "window_s": 0.0}
_HOURLY = {"window_s": 3600.0, "on_delay_s": 3600.0, "off_delay_s": 3600.0}
_BATCH_FIRST = "measure with another instrument, look at salt and temperature, and hold the batch"


RETIRED: Final[Mapping[str, str]] = {
    "out-of-liquid": "a probe in air is told by trust-lost",
    "erratic": "a loose contact, a jump of the reading or a broken bulb is told by trust-lost",
}
"""Kinds of earlier versions, and what tells of the same now."""


class AlarmKind(StrEnum):
    """What an alarm watches, with its row."""

    row: KindRow

    def __new__(cls, value: str, *rows: KindRow) -> Self:
        """Make a kind that is its id and carries its one row; to look a kind up by its id takes none."""
        kind = str.__new__(cls, value)
        kind._value_ = value
        (kind.row,) = rows
        return kind

    BROKER_AWAY = (
        "broker-away",
        KindRow(
            group=Group.SYSTEM,
            title="broker away",
            presence=Presence.WITH_BROKER,
            defaults={"on_delay_s": 60.0, "window_s": 0.0, "priority": Priority.HIGH},
            what="the broker is away, no alarm reaches the hub",
            over="the broker is there again",
            comes="The broker is away, so no alarm reaches the hub",
            returns="the broker is there again; what waited goes out to it",
            first="look whether broker and network are there, and at the vats yourself until they are",
        ),
    )
    BROKER_SHARED = (
        "broker-shared",
        KindRow(
            group=Group.SYSTEM,
            title="another store at the broker",
            presence=Presence.WITH_BROKER,
            defaults={**_AT_ONCE, "priority": Priority.HIGH},
            what="two watches are in each other's way at the broker",
            over="no other watch was heard for some minutes",
            comes="Two watches are in each other's way at the broker",
            returns="no other store was heard for some minutes",
            first="look at the vats yourself: the hub may show those of the other watch",
        ),
    )
    OUTBOX_AGE = (
        "outbox-age",
        KindRow(
            group=Group.SYSTEM,
            title="events wait for the broker",
            presence=Presence.WITH_BROKER,
            defaults={"on_delay_s": 600.0, "window_s": 0.0},
            what="events wait that the broker does not accept",
            over="the broker has taken all that waited",
            comes="Events wait that the broker does not accept",
            first="look at the broker's log and its access rules",
        ),
    )
    """The broker is there, and events wait all the same."""
    DISK_LOW = (
        "disk-low",
        KindRow(
            group=Group.SYSTEM,
            title="disk nearly full",
            presence=Presence.WITH_STORE_FILE,
            defaults=_AT_ONCE,
            what="the log soon has no room",
            over="there is room for the log again",
            comes="The log soon has no room",
            first="make room on that disk",
        ),
    )
    CLOCK_STEPPED = (
        "clock-stepped",
        KindRow(
            group=Group.SYSTEM,
            title="clock stepped",
            presence=Presence.ALWAYS,
            has_delay=False,
            defaults={**_AT_ONCE, "priority": Priority.LOW},
            what="the wall clock was stepped",
            over="the watch goes on by the clock as it is now",
            comes="The wall clock was stepped",
            first="look whether the clock is right now, and who set it",
        ),
    )
    STORE_UNWRITABLE = (
        "store-unwritable",
        KindRow(
            group=Group.SYSTEM,
            title="log not writable",
            presence=Presence.ALWAYS,
            defaults={"on_delay_s": 10.0, "window_s": 0.0, "priority": Priority.HIGH, "reminder_s": 900.0},
            what="the log cannot be written",
            over="the log can be written again",
            comes="The store cannot be written. Readings wait in memory; alarms go on",
            returns="the store can be written again; what waited is in it",
            first="make room, or end what holds the log; do not stop the watch: it has the rest",
        ),
    )
    STORE_RENEWED = (
        "store-renewed",
        KindRow(
            group=Group.SYSTEM,
            title="log begun anew",
            presence=Presence.WITH_STORE_FILE,
            has_delay=False,
            defaults={**_AT_ONCE, "priority": Priority.HIGH, "reminder_s": 900.0},
            what="the store was damaged or lost, and begun anew",
            over="the watch goes on with the store as it is now",
            comes="The store was damaged or lost",
            first="look at the disk; keep what was set aside; check each probe",
        ),
    )
    """The file of the store was damaged, cut short or gone."""
    REHEARSAL = (
        "rehearsal",
        KindRow(
            group=Group.SYSTEM,
            title="good-night test (TEST)",
            presence=Presence.WITH_WAY_OUT,
            has_delay=False,
            defaults={**_AT_ONCE, "priority": Priority.HIGH},
            what="TEST, no real alarm: the good-night test",
            over="TEST: the good-night test is over",
            comes="TEST, no real alarm: this is the good-night test",
            returns="TEST: it is over",
            first="acknowledge this TEST, as you would an alarm",
        ),
    )
    """The good-night test itself: no real alarm."""
    REHEARSAL_FAILED = (
        "rehearsal-failed",
        KindRow(
            group=Group.SYSTEM,
            title="good-night test not acknowledged",
            presence=Presence.WITH_WAY_OUT,
            has_delay=False,
            defaults={**_AT_ONCE, "priority": Priority.HIGH, "reminder_s": 900.0},
            what="the good-night test was not acknowledged",
            over="another good-night test has begun, and will tell",
            comes="The good-night test was not acknowledged",
            first="look what failed before you sleep, and rehearse again: `vatvigil rehearse`",
        ),
    )
    """Nobody acknowledged the last good-night test in time."""
    PH_HIGH = (
        "ph-high",
        KindRow(
            group=Group.PROCESS,
            title="pH high",
            signal=Signal.PH_UPPER,
            unit="",
            setpoint_bounds=_PH,
            setpoint_words="a pH",
            own_keys=("armed_ph",),
            defaults={"deadband": 0.05},
            quantity="pH {value:.2f}{spread}",
            first="measure with another instrument or a strip, and hold the batch until you know",
        ),
    )
    PH_LOW = (
        "ph-low",
        KindRow(
            group=Group.PROCESS,
            title="pH low",
            signal=Signal.PH,
            is_low=True,
            unit="",
            setpoint_bounds=_PH,
            setpoint_words="a pH",
            defaults={"deadband": 0.05},
            quantity="pH {value:.2f}{spread}",
            first="measure with another instrument or a strip",
        ),
    )
    TEMPERATURE_HIGH = (
        "temperature-high",
        KindRow(
            group=Group.PROCESS,
            title="temperature high",
            signal=Signal.TEMPERATURE,
            unit=" C",
            setpoint_words="degrees Celsius",
            defaults={"deadband": 0.5},
            quantity="{value:.1f} C",
            first="look at heater and room, and cool the vat",
        ),
    )
    TEMPERATURE_LOW = (
        "temperature-low",
        KindRow(
            group=Group.PROCESS,
            title="temperature low",
            signal=Signal.TEMPERATURE,
            is_low=True,
            unit=" C",
            setpoint_words="degrees Celsius",
            defaults={"deadband": 0.5},
            quantity="{value:.1f} C",
            first="look at heater and plug, and warm the vat",
        ),
    )
    RATE_OF_CHANGE = (
        "rate-of-change",
        KindRow(
            group=Group.PROCESS,
            title="pH changes fast",
            signal=Signal.PH,
            look_back=LookBack.TREND,
            unit=" pH/h",
            setpoint_bounds=(0.0, 16.0),
            defaults={"setpoint": 0.5, "deadband": 0.1},
            is_suspended_by_mixing=True,
            is_against_claim=True,
            quantity="pH changes by {value:.2f} an hour",
            first="ask who stirred, topped up or dosed; if nobody did, look at the probe",
        ),
    )
    """pH changes faster than a ferment does, up or down."""
    RISE = (
        "rise",
        KindRow(
            group=Group.PROCESS,
            title="pH rises again",
            signal=Signal.PH,
            look_back=LookBack.TREND,
            unit="",
            setpoint_bounds=(0.0, 16.0),
            own_keys=("armed_ph",),
            defaults={
                "setpoint": 0.1,
                "deadband": 0.03,
                "window_s": 3600.0,
                "on_delay_s": 10800.0,
                "armed_ph": 4.5,
            },
            is_against_claim=True,
            quantity="pH has risen by {value:.2f} from its lowest",
            first="look for film and air at the surface, measure with another instrument, and hold the batch",
        ),
    )
    """pH rises again after its lowest: the signature of spoilage."""
    EARLY_RISE = (
        "early-rise",
        KindRow(
            group=Group.PROCESS,
            title="pH rises before it is low",
            signal=Signal.PH,
            look_back=LookBack.TREND,
            unit="",
            setpoint_bounds=(0.0, 16.0),
            presence=Presence.ALWAYS,
            defaults={"setpoint": 0.15, "deadband": 0.05, "window_s": 3600.0, "on_delay_s": 0.0},
            is_against_claim=True,
            quantity="pH has risen by {value:.2f} from the lowest of the last day",
            first="look how the probe stands, measure with another instrument, and hold the batch until you know",
        ),
    )
    """pH rises though it was never low: the probe, or something that went into the vat."""
    NO_START = (
        "no-start",
        KindRow(
            group=Group.PROCESS,
            title="ferment has not started",
            signal=Signal.PH,
            look_back=LookBack.BATCH,
            unit=" h",
            setpoint_bounds=(0.0, 1000.0),
            own_keys=("drop_ph",),
            defaults={"setpoint": 66.0, **_HOURLY},
            quantity="{value:.3g} h",
            what="the ferment has not started after {value:.0f} h (counted as at 20 C)",
            over="the ferment has started: pH has fallen by {alarm.drop_ph:.2f} since the start",
            comes="{what}. Until pH has fallen by {alarm.drop_ph:.2f}, treat this as a low-acid food: {first}",
            first=_BATCH_FIRST,
        ),
    )
    """pH has not begun to fall so many biological hours after the batch was started."""
    STALL = (
        "stall",
        KindRow(
            group=Group.PROCESS,
            title="ferment stalls",
            signal=Signal.PH,
            look_back=LookBack.BATCH,
            is_low=True,
            unit=" pH/h",
            setpoint_bounds=(0.0, 16.0),
            own_keys=("drop_ph", "above_ph"),
            defaults={"setpoint": 0.006, "deadband": 0.002, **_HOURLY, "on_delay_s": 21600.0},
            quantity="{value:.3g} pH/h",
            what="the ferment stalls: pH, still above {alarm.above_ph:.2f}, {fall}",
            over="pH falls again, by {value:.3f} an hour",
            over_unknown="pH is down to {alarm.above_ph:.2f}: no stall any more",
            comes="{what}. Until it is acid, treat this as a low-acid food: {first}",
            first=_BATCH_FIRST,
        ),
    )
    """pH has stopped falling and was never low enough."""
    FALL_BROKE_OFF = (
        "fall-broke-off",
        KindRow(
            group=Group.PROCESS,
            title="fall of pH breaks off",
            signal=Signal.PH,
            look_back=LookBack.BATCH,
            is_low=True,
            unit=" %",
            setpoint_bounds=(0.0, 100.0),
            defaults={"setpoint": 25.0, "deadband": 10.0, **_HOURLY, "priority": Priority.LOW},
            quantity="{value:.0f} %",
            what="the fall of pH breaks off: {value:.0f} % of its rate some hours before",
            over="pH falls at {value:.0f} % of its rate some hours before",
            over_unknown="pH did not fall fast some hours before",
            comes="{what}. A probe in foam, in air or with a damp plug draws the same curve: {first}",
            first="look how the probe stands and at its plug; measure with another instrument, and hold the batch",
        ),
    )
    """pH fell fast and hardly falls any more: the sugar is used up, or the probe is not in the brine."""
    NO_DATA = (
        "no-data",
        KindRow(
            group=Group.INSTRUMENT,
            title="no data",
            signal=Signal.ARRIVAL,
            presence=Presence.ALWAYS,
            defaults={"on_delay_s": 300.0, "window_s": 0.0, "priority": Priority.HIGH, "reminder_s": 1800.0},
            is_against_claim=True,
            what="no reading",
            over="readings arrive again",
            comes="No reading for {delay}: {why}. pH alarms are paused meanwhile",
            first="look whether the instrument is on and plugged in",
            finding="Nothing arrives from the probe: check its cable, its power and the port.",
        ),
    )
    """Nothing arrives: records without an indication."""
    BLIND = (
        "blind",
        KindRow(
            group=Group.INSTRUMENT,
            title="blind, nothing to be believed",
            signal=Signal.BELIEF,
            presence=Presence.ALWAYS,
            defaults={"on_delay_s": 1200.0, "priority": Priority.HIGH, "reminder_s": 1800.0},
            is_against_claim=True,
            what="no reading that can be believed",
            over="readings can be believed again",
            comes="No reading that can be believed: {tests}. pH alarms are paused meanwhile",
            first="look at the probe: is it in the liquid, is the glass whole",
            finding="Nothing that arrives can be believed: look at the probe and at the vat.",
        ),
    )
    """Something arrives, but nothing that can be believed, for no cause that has an alarm of its own."""
    TRUST_LOST = (
        "trust-lost",
        KindRow(
            group=Group.INSTRUMENT,
            title="trust in the probe lost",
            signal=Signal.TRUST,
            presence=Presence.ALWAYS,
            defaults={**_AT_ONCE, "priority": Priority.HIGH, "reminder_s": 1800.0},
            is_glass=True,
            is_against_claim=True,
            what="the probe is not to be trusted",
            over="nothing speaks against the probe now",
            comes="Trust in the probe is lost",
            first="check that the glass is whole and the probe in the vat; if glass is missing, hold the batch",
            finding="Trust in the probe is lost: look whether it is in the vat and whole, then measure beside it.",
        ),
    )
    """The probe has shown what no vat does, or nobody said that it is back in the vat."""
    TRUST_DOUBTED = (
        "trust-doubted",
        KindRow(
            group=Group.INSTRUMENT,
            title="probe doubted",
            signal=Signal.TRUST_DOUBT,
            presence=Presence.ALWAYS,
            defaults={**_AT_ONCE, "priority": Priority.LOW},
            is_against_claim=True,
            what="something is odd about the probe or the vat",
            over="what was odd is over",
            comes="Something is odd about the probe or the vat, and claims wait",
            first="look whether the probe is in the vat; if you topped up, heated or cooled it, mark that next time",
            health=Health.OUT_OF_SPECIFICATION,
            finding="Something is odd about the probe: look whether it is in the vat.",
        ),
    )
    """The temperature stepped, or the thermometer is odd: claims wait, process alarms do not."""
    DISAGREEMENT = (
        "disagreement",
        KindRow(
            group=Group.INSTRUMENT,
            title="its two probes disagree",
            signal=Signal.SECOND_PROBE,
            presence=Presence.WITH_SECOND_PROBE,
            is_suspended_by_work=True,
            is_against_claim=True,
            what="its two probes differ by more than their uncertainties",
            over="its two probes agree again",
            comes="The two probes in the vat differ by more than both their uncertainties: one of them is wrong, and"
            " nobody knows which. Dip both into a check buffer; until then trust the higher pH",
            returns="the two probes agree again",
            first="dip both probes into a check buffer, and trust the higher pH until then",
            health=Health.OUT_OF_SPECIFICATION,
            finding="The two probes of the vat differ by more than their uncertainties: dip both in a buffer.",
        ),
    )
    """The vat's two probes differ by more than both their uncertainties."""
    NO_CALIBRATION = (
        "no-calibration",
        KindRow(
            group=Group.MAINTENANCE,
            title="no calibration",
            presence=Presence.ALWAYS,
            defaults={"on_delay_s": 1800.0, "window_s": 0.0, "priority": Priority.HIGH, "reminder_s": 1800.0},
            is_against_claim=True,
            what="no calibration is in force, no pH is claimed",
            over="a calibration is in force",
            comes="No calibration is in force, so no pH is claimed and nothing watches it: calibrate the probe",
            first="calibrate the probe",
        ),
    )
    """No calibration is in force, so no pH is claimed."""
    CALIBRATION_OVERDUE = (
        "calibration-overdue",
        KindRow(
            group=Group.MAINTENANCE,
            title="calibration overdue",
            presence=Presence.ALWAYS,
            defaults={"window_s": 0.0},
            what="the calibration is overdue",
            over="the probe was calibrated",
            comes="The calibration is overdue (calibrate_every_d), and the uncertainty of readings grows. Calibrate the"
            " probe",
            first="calibrate the probe",
        ),
    )
    """The calibration is older than `calibrate_every_d`."""
    CHECK_OVERDUE = (
        "check-overdue",
        KindRow(
            group=Group.MAINTENANCE,
            title="check overdue",
            presence=Presence.ALWAYS,
            defaults={"window_s": 0.0, "priority": Priority.LOW},
            what="the probe was not checked for too long",
            over="no check is owed now",
            comes="The probe was neither calibrated nor checked for too long (check_every_d). Dip it in a check buffer,"
            " or measure the vat with another instrument",
            first="dip the probe in a check buffer, or measure the vat with another instrument",
        ),
    )
    """Neither calibrated nor checked for `check_every_d`."""
    CLEANING_OVERDUE = (
        "cleaning-overdue",
        KindRow(
            group=Group.MAINTENANCE,
            title="cleaning overdue",
            presence=Presence.ALWAYS,
            defaults={"window_s": 0.0, "priority": Priority.LOW},
            what="the electrode was not cleaned for too long",
            over="the electrode was cleaned",
            comes="The electrode was not cleaned for too long (clean_every_d). Read it in the buffers as it is found,"
            " clean it by its leaflet, and enter it (`vatvigil care done`)",
            first="read the electrode in buffers, clean it by its leaflet, and enter it in the care diary",
            health=Health.MAINTENANCE_REQUIRED,
        ),
    )
    """Not cleaned for `clean_every_d`, by the care diary; silent as long as nobody entered a cleaning."""
    BUFFER_EXPIRED = (
        "buffer-expired",
        KindRow(
            group=Group.MAINTENANCE,
            title="buffer expired",
            presence=Presence.ALWAYS,
            defaults={"window_s": 0.0, "priority": Priority.LOW},
            what="a buffer of the calibration has expired",
            over="no buffer of the calibration has expired",
            comes="A buffer that the calibration used has expired by the care diary. Open a fresh one and enter it"
            " (`vatvigil care opened`)",
            first="open a fresh buffer, and enter it in the care diary",
            health=Health.MAINTENANCE_REQUIRED,
        ),
    )
    """The newest bottle of a buffer that the calibration used has expired, by the care diary."""
    DRIFTED = (
        "drifted",
        KindRow(
            group=Group.MAINTENANCE,
            title="probe drifted",
            presence=Presence.ALWAYS,
            defaults=_AT_ONCE,
            is_against_claim=True,
            what="the probe was found off, what it read may be wrong",
            over="nothing says any more that the probe is off",
            comes="The probe was found off by more than is good enough to judge a ferment (judge_tolerance_ph): what it"
            " read before may be wrong. Repeat the check in fresh buffer, clean and calibrate, and correct the log",
            first="repeat the check in fresh buffer; if it stays, clean and calibrate, and correct the log",
        ),
    )
    """The last check, or what was found at a calibration, was off by more than `judge_tolerance_ph`."""
    DEADLINE = (
        "deadline",
        KindRow(
            group=Group.TARGET,
            title="target not shown in time",
            unit=" h",
            setpoint_bounds=(0.0, 8784.0),
            setpoint_words="hours after the start of the batch",
            defaults=_AT_ONCE,
            quantity="{value:.1f} h",
            what="the target is not shown {alarm.setpoint:g} h after the batch was started",
            over="the target is shown, the reading is at it, or another batch was started",
            comes="The target is not shown {alarm.setpoint:g} h after the batch was started",
            first="hold the batch and measure with another instrument; ask who wrote your process",
        ),
    )
    """The target was not shown by so many hours after the batch was started."""
    LIKELY_LATE = (
        "likely-late",
        KindRow(
            group=Group.TARGET,
            title="deadline likely missed",
            unit=" %",
            setpoint_bounds=(5.0, 95.0),
            defaults={"setpoint": 50.0, "deadband": 10.0, "on_delay_s": 7200.0, "window_s": 0.0},
            quantity="{value:.0f} %",
            what="pH will likely be above its target at the deadline: {value:.0f} %",
            over="the deadline is no longer likely missed, or it is past",
            comes="{what}, by the course of the last hours and the warmth of the last day. A probe that creeps draws"
            " the same curve: {first}",
            first="look at temperature, salt and probe while there is time, and measure with another instrument",
        ),
    )
    """The forecast says that the deadline is missed with this probability."""
    UNCONFIRMED = (
        "unconfirmed",
        KindRow(
            group=Group.TARGET,
            title="target reached, not confirmed",
            presence=Presence.WITH_TARGET,
            defaults={**_AT_ONCE, "priority": Priority.MEDIUM, "reminder_s": 43200.0},
            what="the reading is at the target: confirm it with another instrument",
            over="the target is shown, or the reading is not at it any more",
            comes="The reading is at the target: confirm it with another instrument",
            first="measure the vat beside the probe with another instrument, and tell it at the hub",
        ),
    )
    """The reading is at the target, and nothing is claimed for want of a measurement beside it."""
    CLAIM_WITHDRAWN = (
        "claim-withdrawn",
        KindRow(
            group=Group.TARGET,
            title="claim on the target withdrawn",
            presence=Presence.WITH_TARGET,
            defaults={**_AT_ONCE, "priority": Priority.HIGH, "latching": True, "reminder_s": 900.0},
            what="a check says that the target was not reached as claimed",
            over="the target is shown anew, or another batch was started",
            comes="The claim that the target was reached does not hold: hold the batch, and show it anew",
            first="hold the batch; repeat the check in a fresh buffer, and calibrate",
        ),
    )
    """A later check contradicts that the target was shown."""
    ABOVE_TARGET = (
        "above-target",
        KindRow(
            group=Group.TARGET,
            title="pH above the target again",
            presence=Presence.WITH_TARGET,
            defaults={**_AT_ONCE, "priority": Priority.HIGH, "reminder_s": 900.0},
            what="pH is above its target again, after it was claimed",
            over="pH is down to its target again, or nothing is claimed any more",
            comes="pH has risen through its target, after it was claimed",
            first="hold the batch, measure with another instrument, and look for film and air at the surface",
        ),
    )
    """A believed pH lies above the target after that was claimed."""

    @classmethod
    def of_vats(cls) -> tuple["AlarmKind", ...]:
        """Return the kinds that an alarm of a vat can have."""
        return tuple(kind for kind in cls if not kind.is_system)

    @property
    def is_system(self) -> bool:
        """Tell whether it judges the watch itself."""
        return self.row.group is Group.SYSTEM

    @property
    def is_maintenance(self) -> bool:
        """Tell whether it says that a calibration or a check is due."""
        return self.row.group is Group.MAINTENANCE

    @property
    def is_of_target(self) -> bool:
        """Tell whether it speaks of the vat's target."""
        return self.row.group is Group.TARGET

    @property
    def has_value(self) -> bool:
        """Tell whether it judges a value by a setpoint; else something is wrong, or it is not."""
        return self.row.unit is not None

    @property
    def is_high(self) -> bool:
        """Tell whether the alarm is abnormal at or above its setpoint (else at or below it)."""
        return not self.row.is_low

    @property
    def is_ph(self) -> bool:
        """Tell whether the alarm judges pH, or what becomes of it."""
        return self.row.signal in (Signal.PH, Signal.PH_UPPER)

    @property
    def is_trend(self) -> bool:
        """Tell whether the alarm looks back over several windows."""
        return self.row.look_back is not None

    @property
    def is_suspended_by_work(self) -> bool:
        """Tell whether a mark (probe out) or work on the probe suspends this alarm."""
        return self.row.group is Group.PROCESS or self.row.is_suspended_by_work
