"""`vatvigil decode`: recorded bytes become a recording that `vatvigil replay` reads."""

from pathlib import Path

from click.testing import CliRunner

from logger.cli.decode import decode
from logger.cli.replay import replay
from logger.model import Block
from logger.probe.reader import reader
from logger.recording import read
from logger.settings import load
from tests.parts.simulator import Start
from tests.probe.test_simulator import polled

CONFIG = """
[store]
path = "log.sqlite"
[simulation]
[probe.p]
port = "{port}"
record_bytes = "p.bytes"
[vat.v]
probe = "p"
"""


def test_recorded_bytes_are_replayed(simulator: Start, tmp_path: Path) -> None:
    config, out = tmp_path / "vatvigil.toml", tmp_path / "night.jsonl"
    config.write_text(CONFIG.format(port=simulator("quiet-night").port), encoding="utf-8")
    (probe,) = load(config, environ={}).probes
    reads = reader(probe, simulated=True)
    live = polled(reads, 5)
    reads.close()
    log = tmp_path / "p.bytes"
    done = CliRunner().invoke(decode, [str(log), "--probe", "p", "--config", str(config), "--out", str(out)])
    assert (done.exit_code, done.output.splitlines()[-1]) == (0, "5 records: 5 reading present")
    with out.open("rb") as stream:
        header, items = read(stream, name="night")
        (block,) = items
    assert isinstance(block, Block)
    assert (header.vat, header.probe, header.simulated) == ("v", "p", True)
    assert block.potential_mv.tolist() == [each.potential_mv for each in live]
    replayed = CliRunner().invoke(replay, [str(out), "--config", str(config)])
    assert replayed.exit_code == 0, replayed.output


def test_a_file_without_the_probes_ticks_is_refused(tmp_path: Path) -> None:
    config, log = tmp_path / "vatvigil.toml", tmp_path / "x"
    config.write_text(CONFIG.format(port="/dev/x"), encoding="utf-8")
    log.write_bytes(b'{"bytes":1,"port":"/dev/x","simulated":false}\n')
    done = CliRunner().invoke(decode, [str(log), "--probe", "p", "--config", str(config)])
    assert done.exit_code == 1
    assert f"{log} holds no reading of 'p'; is it the log of its port?" in done.output
