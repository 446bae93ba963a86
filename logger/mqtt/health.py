"""Computes the condition of a probe in the words of NAMUR NE 107, and declares the payload and the entity that show it.

It is computed from standing alarms, electrode, calibration, checks and buffers.

Law: pure; the worst finding gives the status, and every finding is one sentence with what to do. No sentence holds an
age or another figure that runs, so that a finding is the same from cycle to cycle until something happens.
"""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Annotated

from msgspec import Meta

from logger.config import AlarmKind, Config, ProbeConfig, VatConfig
from logger.measure import age, specification
from logger.measure.buffers import expired, shelf
from logger.measure.electrode import condition, summarise
from logger.measure.error_state import OFFSET
from logger.model import Calibration, Carry, Finding, Health, State, TrustLevel
from logger.mqtt.entity import DIAGNOSTIC, Entity, Scope, attributes
from logger.mqtt.messages import Message
from logger.mqtt.payloads import Name, Payload, PayloadKind, Simulated, Time, json_text, rfc3339_or_none
from logger.mqtt.topics import PATTERNS, Topics
from logger.units import DAY_US
from logger.watch import trust_words, unwatched
from logger.watch.trust_words import Clock, TrustShown

ROOM_C = 20.0


class HealthPayload(Payload, frozen=True, kw_only=True):
    """The condition of a probe, one sentence a finding, the worst first, and how far it is trusted."""

    probe: Name
    status: Annotated[Health, Meta(description="NAMUR NE 107")]
    findings: tuple[Name, ...]
    trust: TrustLevel
    trust_since: Annotated[Time | None, Meta(description="RFC 3339, UTC; null: trust was never lost")]
    trust_sentence: Annotated[Name, Meta(description="Why no further, or by what it was earned")]
    simulated: Simulated


KIND = PayloadKind(name="health", form=HealthPayload, topics=(PATTERNS.health("<probe>"),), retained=True)


def _topic(scope: Scope) -> str:
    return scope.topics.health(scope.vat.probe)


ENTITIES = (
    Entity(
        component="sensor",
        key=("probe",),
        shows="condition of the probe; attributes: what is wrong, how far it is trusted and why",
        content={
            "name": "Probe",
            "icon": "mdi:needle",
            "state_topic": _topic,
            "value_template": "{{ value_json.status }}",
            "device_class": "enum",
            "options": [status.value for status in Health],
            **DIAGNOSTIC,
            **attributes(
                _topic,
                findings="value_json.findings",
                trust="value_json.trust",
                trust_since="value_json.trust_since",
                trust_sentence="value_json.trust_sentence",
            ),
        },
    ),
)


def health_message(
    topics: Topics, probe: str, *, status: Health, findings: Sequence[str], trust: TrustShown
) -> Message:
    """Return the retained condition of a probe (status: NAMUR NE 107), with one sentence a finding, and its trust."""
    content = HealthPayload(
        probe=probe,
        status=status,
        findings=tuple(findings),
        trust=trust.level,
        trust_since=rfc3339_or_none(trust.since_at_us),
        trust_sentence=trust.steady,
        simulated=topics.simulated,
    )
    return Message(topic=topics.health(probe), payload=json_text(content), retain=True)


def probe_health(vat: VatConfig, carry: Carry, *, config: Config, at_us: int) -> tuple[Health, list[str]]:
    """Return the status of the vat's probe at a time (UTC, microseconds) and its findings, worst first."""
    probe = config.probe(vat.probe)
    findings = [*_failures(vat, carry), *_function_checks(vat, carry)]
    findings += specification.findings(probe, carry, at_us=at_us)
    if carry.electrode.calibration is not None:
        findings += condition(summarise(carry.electrode.calibration), probe.calibration)
        findings += _reminders(probe, carry, carry.electrode.calibration, at_us=at_us)
    findings += _after_gap(vat, carry)
    findings += _expired(config, at_us=at_us)
    findings.sort(key=lambda finding: list(Health).index(finding.status))
    return (findings[0].status if findings else Health.GOOD), [finding.text for finding in findings]


def _failures(vat: VatConfig, carry: Carry) -> list[Finding]:
    findings = [
        Finding(status=alarm.kind.row.health, text=_text(alarm.kind, carry, trust_words.clock_of(vat.people)))
        for alarm in vat.alarms
        if alarm.kind.row.finding and alarm.id in carry.alarms and carry.alarms[alarm.id].abnormal
    ]
    uncalibrated = "No calibration is stored, so no pH is claimed: calibrate the probe."
    return findings if carry.electrode.calibration else [*findings, Finding(status=Health.FAILURE, text=uncalibrated)]


def _text(kind: AlarmKind, carry: Carry, clock: Clock) -> str:
    """Return the finding of an alarm; of one on trust, what it was lost or is doubted by."""
    loss, doubt = carry.trust.loss, carry.trust.doubt
    if kind is AlarmKind.TRUST_LOST and loss is not None and carry.suppression.not_back_us is None:
        why = trust_words.lost_steadily(loss, carry.electrode.calibration, clock)
        return f"Trust in the probe is lost: {why}. {trust_words.HOW_BACK}."
    if kind is AlarmKind.TRUST_DOUBTED and doubt is not None:
        return f"The probe is doubted: {trust_words.doubted(doubt, clock)}."
    return kind.row.finding


def _function_checks(vat: VatConfig, carry: Carry) -> Iterator[Finding]:
    shown = {carry.alarms[alarm.id].shown for alarm in vat.alarms if alarm.id in carry.alarms}
    if carry.suppression.not_back_us is not None:
        text = "Work on the probe is over and nobody said that it is back: look, then mark probe-in."
        yield Finding(status=Health.FUNCTION_CHECK, text=text)
    elif carry.suppression.attended_until_us is not None:
        text = "Somebody works on the probe; the process alarms of its vat are suppressed until it is back."
        yield Finding(status=Health.FUNCTION_CHECK, text=text)
    elif carry.suppression.out_until_us is not None:
        text = "Process alarms are suppressed while the probe is out, cleaned or calibrated."
        yield Finding(status=Health.FUNCTION_CHECK, text=text)
    if State.OUT_OF_SERVICE in shown:
        text = "An alarm of this vat is out of service: return it to service when the work is done."
        yield Finding(status=Health.FUNCTION_CHECK, text=text)


def _reminders(probe: ProbeConfig, carry: Carry, calibration: Calibration, *, at_us: int) -> Iterator[Finding]:
    """Yield what is overdue; a calibration replaces a check, so only one of the two is asked for."""
    known, middle_ph = carry.electrode.estimate, (calibration.low_ph + calibration.high_ph) / 2.0
    is_off = known is not None and abs(known.steady.mean[OFFSET]) > probe.check_tolerance_ph
    if is_off:
        yield _maintenance(
            f"The last check found the probe off by more than {probe.check_tolerance_ph:g}: clean it and calibrate it."
        )
    if known is not None and known.question is not None:
        yield _maintenance(
            f"Probe or reference? {known.question.text[0].upper()}{known.question.text[1:]}. Until a check about as"
            " good is as expected nothing is claimed: repeat it in fresh buffer, or calibrate."
        )
    if _is_older(carry, age.calibrated(carry), probe.calibrate_every_d, at_us=at_us):
        yield _maintenance(f"The calibration is older than {probe.calibrate_every_d:g} days: calibrate the probe.")
    elif (
        not is_off
        and not carry.trust.windows  # else the finding is about the reading itself
        and specification.is_doubtful(probe, carry, calibration, ph=middle_ph, warm_c=ROOM_C, at_us=at_us)
    ):
        yield _maintenance(
            f"The uncertainty of a reading has grown beyond u = {specification.U_LIMIT_PH:.2f}: dip the probe in a "
            "buffer, or calibrate it."
        )
    elif _is_older(carry, age.drifting_since(carry), probe.check_every_d, at_us=at_us):
        yield _maintenance(
            f"The probe was not checked for more than {probe.check_every_d:g} days: dip it in a buffer, or measure the "
            "vat with another instrument."
        )


def _after_gap(vat: VatConfig, carry: Carry) -> list[Finding]:
    between = carry.electrode.unwatched_at_us
    if between is None:
        return []
    text = unwatched.words(between, vat.people)
    return [_maintenance(f"{text[0].upper()}{text[1:]}.")]


def _is_older(carry: Carry, since: age.Moment | None, days: float, *, at_us: int) -> bool:
    return since is not None and age.age_us(at_us, age.elapsed_at(carry, at_us), since) > days * DAY_US


def _expired(config: Config, *, at_us: int) -> Iterator[Finding]:
    ids = [buffer.id for buffer in config.buffers if buffer.expires is not None]
    if ids:
        table, today = shelf(config.buffers), datetime.fromtimestamp(at_us // 1_000_000, UTC).date()
        for sentence in filter(None, (expired(table[each], on=today) for each in ids)):
            yield _maintenance(f"{sentence}.")


def _maintenance(text: str) -> Finding:
    return Finding(status=Health.MAINTENANCE_REQUIRED, text=text)
