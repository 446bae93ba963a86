"""Try the configuration, the probes, the store and the broker.

Law: nothing is changed anywhere; exit 3 for attention.
"""

import glob
import logging
import os
import shlex
import sys
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import click

from logger import own_files
from logger.cli import _neighbours
from logger.cli._common import ATTENTION, config_option, json_option, load_config, print_json, print_table, sentences
from logger.cli._requests import examples, now_us, print_simulated
from logger.config import Config, DeadManConfig, HookConfig, ProbeConfig, PushConfig
from logger.errors import ConfigurationError, StoreError
from logger.model import Indication, Reason
from logger.store import Store
from logger.structs import replace

HELD = "another program holds the port"
"""What the port's line says when it is locked."""
PRINTING_TRIES = 3
LISTEN_S = 1.0
ENOUGH_BYTES = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """One thing that was tried, whether it works, and the finding or what to do."""

    what: str
    ok: bool
    text: str


@click.command(
    epilog=examples(
        "vatvigil check",
        "vatvigil check --config /etc/vatvigil/vatvigil.toml --json",
    ),
)
@config_option
@json_option
@sentences
def check(config_path: Path, as_json: bool) -> None:  # noqa: FBT001 - click's flag
    """Try the configuration, each probe, the store and the broker; nothing is changed.

    Each probe is read once. A port that the running daemon holds cannot be tried; then its newest record is looked at.
    The connection to the broker is tried under another client id; nothing is published.

    Exit code 3: something needs attention; the table says what to do.
    """
    config = load_config(config_path)
    logging.getLogger("logger").addHandler(logging.NullHandler())  # the table says it all
    findings = [CheckResult(what=f"configuration {config_path}", ok=True, text=_counted(config))]
    findings += [CheckResult(what="no longer used", ok=True, text=sentence) for sentence in config.retired]
    findings += _try_all(config)
    findings += [
        CheckResult(what=what, ok=False, text=text) for what, text in _neighbours.findings(config, config_path)
    ]
    if wrong := own_files.foreign():
        findings.append(CheckResult(what="installation", ok=False, text=wrong))
    ok = all(finding.ok for finding in findings)
    if as_json:
        print_json({"simulated": config.simulated, "ok": ok, "findings": findings})
    else:
        print_simulated(simulated=config.simulated)
        rows = ((one.what, "ok" if one.ok else "ATTENTION", one.text) for one in findings)
        print_table("", ["What", "State", "Found, or what to do"], rows)
    sys.exit(0 if ok else ATTENTION)


def _counted(config: Config) -> str:
    from logger.report.words import counted

    alarms = sum(len(vat.alarms) for vat in config.vats)
    return ", ".join(
        counted(number, what)
        for number, what in ((len(config.vats), "vat"), (len(config.probes), "probe"), (alarms, "alarm"))
    )


def _try_all(config: Config) -> Iterator[CheckResult]:
    store, opened = _open(config)
    try:
        for probe in config.probes:
            yield _probe(config, probe, store)
        yield opened
        if store is not None:
            yield from (_calibration(config, store, probe) for probe in config.probes)
    finally:
        if store is not None:
            store.close()
    yield from _files(config, None if store is None else store.path)  # not while it is open: that makes files, too
    yield _broker(config)
    if config.hook is not None:
        yield _hook(config.hook, is_only=config.mqtt is None)
    if config.push is not None:
        yield from _push(config.push, is_only=config.mqtt is None)
    if config.dead_man is not None:
        yield _dead_man(config.dead_man)


def _open(config: Config) -> tuple[Store | None, CheckResult]:
    """Return the store, if it can be read, and what was found."""
    from logger.store.engine import parse, shown, sqlite_path

    try:
        where, path = shown(parse(config.store_url)), sqlite_path(parse(config.store_url))
        if path is not None and path.parent.is_dir() and not path.exists():
            return None, _new_file(path)
        store = Store.open(config.store_url, simulated=config.simulated, read_only=True)
    except StoreError as error:
        return None, CheckResult(what="store", ok=False, text=str(error))
    return store, CheckResult(what="store", ok=True, text="; ".join(filter(None, [where, config.waiting_words])))


def _new_file(path: Path) -> CheckResult:
    if os.access(path.parent, os.W_OK | os.X_OK):
        return CheckResult(what="store", ok=True, text=f"{path} is not there yet; `vatvigil run` makes it")
    text = f"{path} cannot be made: this user may not write to {path.parent}; change its owner or name another folder"
    return CheckResult(what="store", ok=False, text=text)


def _probe(config: Config, probe: ProbeConfig, store: Store | None) -> CheckResult:
    from logger.probe.protocols import entry
    from logger.probe.reader import reader

    # What is recorded of a port is the daemon's; and one that prints by itself may need more than one time limit.
    reads = reader(replace(probe, record_bytes=None), simulated=config.simulated)
    tries = PRINTING_TRIES if entry(probe.protocol).prints_by_itself(probe) else 1
    try:
        for _ in range(tries):
            indication = reads.read(at_us=now_us(config), elapsed_us=0)
            if indication.reason is not Reason.TIMEOUT:
                break
    finally:
        reads.close()
    if indication.reason is Reason.NONE:
        who = f" ({reads.identity})" if reads.identity else ""
        return CheckResult(
            what=f"probe {probe.id}", ok=True, text=f"{values_text(probe, indication, reads.detail)}{who}"
        )
    held = _daemon_holds(config, probe, store) if HELD in reads.detail else ""
    text = held or _for_another(config, probe, store) if HELD in reads.detail else ""
    text = text or " ".join([_sentence(reads.detail, indication.reason), *_line_trouble(probe, indication.reason)])
    return CheckResult(what=f"probe {probe.id}", ok=bool(held), text=text)


def _line_trouble(probe: ProbeConfig, reason: Reason) -> Iterator[str]:
    """Listen to the raw bytes of a probe that could not be read; say what they show, or how to see them."""
    from logger.probe import diagnosis
    from logger.probe.protocols import entry
    from logger.probe.wire import FAILURES

    line_exchange = entry(probe.protocol).line_exchange
    if reason not in (Reason.GARBLED, Reason.TIMEOUT) or line_exchange is None:
        return
    sent = line_exchange(probe)
    try:
        received = _received(probe, sent.query + sent.query_end if sent.query else b"")
    except FAILURES:
        return
    trouble = diagnosis.diagnose(received, query=sent.query, end=sent.terminator)
    yield f"({trouble})" if trouble else f"(`vatvigil listen --probe {probe.id}` shows what comes)"


def _received(probe: ProbeConfig, query: bytes) -> bytes:
    """Return what a port brings after a query. Raises one of `FAILURES`."""
    from logger.probe.wire import Wire

    wire, received = Wire(probe), b""
    try:
        wire.send(query)
        until = wire.now_s() + max(probe.timeout_s, LISTEN_S)
        while wire.now_s() < until and len(received) < ENOUGH_BYTES:
            received += wire.read(until=until)
    finally:
        wire.close()
    return received


def _sentence(detail: str, reason: Reason) -> str:
    """Say what failed; there is no next try here."""
    return (detail or reason.words).partition(" (next try")[0]


def values_text(probe: ProbeConfig, indication: Indication, detail: str = "") -> str:
    """Say what a probe reads."""
    from logger.probe.own_ph import own_ph

    value, assumed_c = f"{indication.potential_mv:.1f} mV", probe.assumed_temperature_c
    if probe.own_ph and indication.potential_mv is not None:
        ph = own_ph(indication.potential_mv, temperature_c=indication.temperature_c, assumed_c=assumed_c)
        value = f"pH {ph:.2f} by its own account"
    if indication.temperature_c is not None:
        return f"{value}, {indication.temperature_c:.1f} C"
    return f"{value}, no temperature" + (f": {detail}" if assumed_c is None else f" ({assumed_c:g} C is assumed)")


def _daemon_holds(config: Config, probe: ProbeConfig, store: Store | None) -> str:
    """Say that the daemon reads this port, if the store shows that it just did; else return nothing."""
    from logger.report.local_time import LocalTime
    from logger.report.status import is_clock_shared, is_stale
    from logger.report.words import age
    from logger.store import queries
    from logger.units import SECOND_US

    rows = None if store is None else queries.latest(store, probe.id)
    if rows is None or not len(rows) or rows.reason[-1] != Reason.NONE or not is_clock_shared(config.simulation):
        return ""
    age_s = (now_us(config) - int(rows.at_us[-1])) / SECOND_US
    if is_stale(config, probe, age_s):
        return ""
    when = LocalTime.of(config.people).shown(int(rows.at_us[-1]))
    return f"held by the running daemon, whose newest reading is {age(age_s)} old ({when})"


def _for_another(config: Config, probe: ProbeConfig, store: Store | None) -> str:
    """Say that the daemon holds this port for another probe on it, but gets nothing of this one; else nothing."""
    from logger.store import queries

    others = (other for other in config.probes if other.port == probe.port and other.id != probe.id)
    if store is None or not any(_daemon_holds(config, other, store) for other in others):
        return ""
    rows = queries.latest(store, probe.id)
    why = Reason(int(rows.reason[-1])).words if len(rows) else "it has not been read yet"
    return f"the running daemon holds its port, but has no reading of it: {why}; stop the daemon and check again"


def _calibration(config: Config, store: Store, probe: ProbeConfig) -> CheckResult:
    from logger.report.local_time import LocalTime
    from logger.store import queries

    what = f"calibration {probe.id}"
    accepted = [one for one in queries.calibrations(store, probe.id) if one.accepted]
    if accepted:
        newest = max(accepted, key=lambda one: (one.command or 0, one.calibration.id)).calibration
        return CheckResult(
            what=what,
            ok=True,
            text=f"{newest.id}, made {LocalTime.of(config.people).shown(newest.at_us)}, slope {newest.slope:.1%}",
        )
    text = f"none is stored, so no pH is claimed: `vatvigil calibrate {probe.id}` guides you through it"
    return CheckResult(what=what, ok=False, text=text)


def _files(config: Config, store: Path | None) -> Iterator[CheckResult]:
    """Name the files that others than their owner may open."""
    from logger import private_file
    from logger.store import backup

    kept = [probe.record_bytes for probe in config.probes if probe.record_bytes is not None]
    if store is not None:
        kept += store.parent.glob(f"{glob.escape(store.name)}*")
        with suppress(OSError):
            kept += [] if config.backup_dir is None else backup.copies(store, config.backup_dir)
    if wide := private_file.open_to_others(sorted(set(kept))):
        text = f"others than the owner may open what the watch keeps: {shlex.join(['chmod', '600', *map(str, wide)])}"
        yield CheckResult(what="files", ok=False, text=text)


def _broker(config: Config) -> CheckResult:
    if config.mqtt is None:
        ways = [*["push"] * bool(config.push), *["the second way out"] * bool(config.hook)]
        consequence = f"only {' and '.join(ways)} can tell of them" if ways else "nobody is told"
        text = f"none is configured: alarms are journalled, and {consequence}. Add a table [mqtt] to be told"
        return CheckResult(what="broker", ok=True, text=text)
    from logger.mqtt import connection_test

    name = f"{config.mqtt.client_id}-check-{os.getpid()}"
    try:
        trouble = connection_test.trouble(config.mqtt, name=name)
    except ConfigurationError as error:
        trouble = str(error)
    where = f"{config.mqtt.host}:{config.mqtt.port}"
    return CheckResult(what="broker", ok=not trouble, text=trouble or f"{where} accepts the connection")


def _hook(hook: HookConfig, *, is_only: bool) -> CheckResult:
    """Say what the second way out is; that it can be executed was checked with the configuration."""
    when = "at once" if is_only else f"when the broker has not taken it for {hook.after_s:g} s"
    text = f"{hook.command[0]} is run for an event of high priority {when}; not tried here, it would wake somebody"
    return CheckResult(what="second way out", ok=True, text=text)


def _push(push: PushConfig, *, is_only: bool) -> Iterator[CheckResult]:
    """Say what each service gets; whether it works is not tried. Of an address only the scheme is shown."""
    from logger.channels import push_sender

    is_spared = push.only_if_broker_fails and not is_only
    when = f"when the broker has not taken it for {push.after_s:g} s" if is_spared else "at once"
    gets = "events of high priority, reminders, the morning summary and what is said of the target"
    for number, url in enumerate(push.urls, start=1):
        scheme, ok = url.partition("://")[0], push_sender.is_known(url)
        text = f"{gets}, {when}; not tried here, `vatvigil rehearse` does" if ok else push_sender.UNKNOWN
        yield CheckResult(what=f"push service {number}", ok=ok, text=f"{scheme}: {text}")


def _dead_man(dead_man: DeadManConfig) -> CheckResult:
    from urllib.parse import urlsplit

    host = urlsplit(dead_man.url).hostname
    text = f"{host} is asked every {dead_man.every_s:g} s while all is well; not tried here, that would say that it is"
    return CheckResult(what="dead man's switch", ok=True, text=text)
