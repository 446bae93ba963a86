"""Decode recorded bytes once more, into a recording.

Law: nothing but the new file is written.
"""

import logging
from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import chain, islice
from pathlib import Path
from typing import BinaryIO

import click

from logger.cli._common import config_option, load_config, sentences, warn_if_simulated
from logger.cli._requests import check_probe, examples
from logger.config import Config, ProbeConfig
from logger.errors import RefusedError, StoreError
from logger.model import Block, Calibration, Command, CommandKind, Indication

ROWS = 360


@click.command(
    epilog=examples(
        "vatvigil decode north.bytes --probe north-probe --out north.jsonl && vatvigil replay north.jsonl",
    ),
)
@click.argument("file", type=click.Path(dir_okay=False, exists=True, path_type=Path))
@click.option("--probe", required=True, help="Whose readings, and the description to read them by.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="New file [default: standard output].")
@config_option
@sentences
def decode(file: Path, probe: str, out: Path | None, config_path: Path) -> None:
    """Read the bytes that `record_bytes` wrote as the watch would read them, and write a recording for `replay`.

    With the configuration they were recorded with, every reading ends as it did then; with another description of the
    same probe they are read anew. The calibration that the store held then, if there is one, stands at the beginning.
    """
    from logger.cli.export import opened

    config = load_config(config_path)
    check_probe(config, probe)
    warn_if_simulated(simulated=config.simulated)
    logging.getLogger("logger").addHandler(logging.NullHandler())  # lost ports are in the recording
    with file.open("rb") as stream:
        indications = _indications(config, config.probe(probe), stream, name=str(file))
        first = next(indications, None)
        if first is None:
            raise RefusedError(f"{file} holds no reading of {probe!r}; is it the log of its port?")
        reasons: Counter[str] = Counter()
        with opened(out) as target:
            _write(config, config.probe(probe), _counted(first, indications, reasons), target)
    counts = ", ".join(f"{count} {words}" for words, count in reasons.most_common())
    click.echo(f"{sum(reasons.values())} records: {counts}", err=True)


def _indications(config: Config, probe: ProbeConfig, stream: BinaryIO, *, name: str) -> Iterator[Indication]:
    """Return what the probe's ticks brought; others on its port are read too, so that their bytes are nobody else's."""
    from logger.probe import byte_log
    from logger.probe.byte_replay import replay_indications

    shared = {each.id: each for each in config.probes if each.port == probe.port}
    items = byte_log.read(stream, name=name)
    return (each for each in replay_indications(items, shared, simulated=config.simulated) if each.probe == probe.id)


def _counted(first: Indication, rest: Iterable[Indication], reasons: Counter[str]) -> Iterator[Indication]:
    """Pass indications on and count how they ended; the watch time of a recording never falls."""
    last_us = first.elapsed_us
    for each in chain([first], rest):
        if each.elapsed_us >= last_us:
            reasons[each.reason.words] += 1
            last_us = each.elapsed_us
            yield each


def _write(config: Config, probe: ProbeConfig, indications: Iterator[Indication], target: BinaryIO) -> None:
    from logger import recording

    vat = next((each.id for each in config.vats if each.probe == probe.id), "")
    header = recording.Header(
        recording=recording.VERSION, simulated=config.simulated, vat=vat, probe=probe.id, poll_s=probe.poll_s
    )
    recording.write(target, header, _items(config, probe, indications))


def _items(config: Config, probe: ProbeConfig, indications: Iterator[Indication]) -> Iterator[Block | Command]:
    from logger.daemon.blocks import block_of

    seq = 1
    while chunk := list(islice(indications, ROWS)):
        in_force = _calibration(config, probe, before_us=chunk[0].at_us) if seq == 1 else None
        if in_force is not None:
            yield Command(
                id=0,
                at_us=chunk[0].at_us,
                kind=CommandKind.CALIBRATE,
                vat="",
                probe=probe.id,
                calibration=in_force,
                seq=1,
            )
        yield block_of(chunk, first_seq=seq)
        seq += len(chunk)


def _calibration(config: Config, probe: ProbeConfig, *, before_us: int) -> Calibration | None:
    """Return the calibration that was in force then, if the store can be read and holds one."""
    from logger.store import Store, queries

    try:
        store = Store.open(config.store_url, simulated=config.simulated, read_only=True)
    except StoreError:
        return None
    try:
        accepted = [one.calibration for one in queries.calibrations(store, probe.id) if one.accepted]
    finally:
        store.close()
    return next((one for one in reversed(accepted) if one.at_us <= before_us), None)
