"""Report how the alarms served over a period (`vatvigil alarms report`). Law: reads only, judges nothing."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from logger.cli._common import config_option, folded, json_option, load_config, print_json, print_table, sentences
from logger.cli._requests import print_simulated, reading_store, tell_elsewhere, watch_now_us
from logger.cli._times import Given, HouseTime, between, moment_option, utc_option
from logger.report.local_time import LocalTime
from logger.units import DAY_US

if TYPE_CHECKING:
    from logger.report.performance import Performance

DAYS = 30
SOURCE = (
    "Measures and usual figures: ANSI/ISA-18.2-2016, 16.4 (IEC 62682), as open secondary sources quote them. The"
    " figures are for a person who does nothing but watch alarms; whoever sleeps wants far fewer."
)


@click.command()
@moment_option("--from", "since", help=f"Beginning of the period [default: {DAYS} days before its end].")
@moment_option("--to", "until", help="End of the period [default: now].")
@config_option
@json_option
@utc_option
@sentences
def report(since: Given | None, until: Given | None, config_path: Path, *, as_json: bool, utc: bool) -> None:
    """Report how the alarms served over a period.

    In the terms of ISA-18.2: rates, floods, chatter, answers.
    """
    from logger.report.counters import performance_over

    config = load_config(config_path)
    with reading_store(config) as store:
        now = HouseTime(LocalTime.of(config.people, utc=utc), watch_now_us(config, store))
        begin_us, end_us = between(since, until, now)
        until_us = now.at_us + 1 if end_us is None else end_us
        since_us = until_us - DAYS * DAY_US if begin_us is None else begin_us
        if since_us >= until_us:
            raise click.BadParameter("the period must end after it begins.", param_hint="--to")
        for vat in config.vats:
            tell_elsewhere(store, vat.id, since_us, until_us)
        performance, chattering = performance_over(config, store, since_us=since_us, until_us=until_us)
    if as_json:
        content = {**msgspec.to_builtins(performance), "chattering": chattering}
        print_json({"simulated": config.simulated, **_period(since_us, until_us), **content, "source": SOURCE})
        return
    print_simulated(simulated=config.simulated)
    click.echo(folded(f"Alarms from {now.clock.shown(since_us)} to {now.clock.shown(until_us)}"))
    print_table("", ["Measure", "Here", "Usual"], _rows(performance, chattering))
    if performance.most_frequent:
        print_table("", ["Most frequent", "Times", "Of all"], _frequent(performance))
    if not performance.enough:
        click.echo(f"The period is shorter than {DAYS} days: too short to judge by.")
    click.echo(folded(SOURCE))


def _period(since_us: int, until_us: int) -> dict[str, str]:
    from logger.report.words import moment

    return {"from": moment(since_us), "to": moment(until_us)}


def _rows(performance: "Performance", chattering: dict[str, int]) -> Iterator[list[str]]:
    yield ["Came", str(performance.annunciated), ""]
    rates = f"{performance.per_day:.2f} / {performance.per_hour:.3f} / {performance.per_10_min:.4f}"
    yield ["a day / an hour / 10 min", rates, "150 / 6 / 1 at most"]
    yield ["Periods with over 10", f"{performance.periods_flooded_percent:.2g} %", "below 1 %"]
    yield ["Most in 10 min", str(performance.most_in_10_min), "10 at most"]
    yield ["The ten most frequent", f"{performance.most_frequent_percent:.0f} %", "1 to 5 %, of many alarms"]
    yield ["Chattering", _named([f"{name} ({times})" for name, times in chattering.items()]), "none"]
    yield ["Stale (over 24 h)", _named(performance.stale), "fewer than 5"]
    for share in performance.priorities:
        usual = f"about {share.usual_percent:.0f} % (common practice)"
        yield [f"Priority {share.name}", f"{share.count} ({share.percent:.0f} %)", usual]
    yield ["Time to acknowledge", _answers(performance), ""]
    yield ["Held, never came", str(performance.held), ""]
    yield ["Standing at the end", _named(performance.standing), ""]
    yield ["Shelved", _covered(performance.covers["shelved"], performance.shelved), ""]
    yield ["Suppressed by design", _covered(performance.covers["suppressed"], performance.suppressed), ""]
    yield ["Out of service", _covered(performance.covers["out-of-service"], performance.out_of_service), ""]


def _frequent(performance: "Performance") -> Iterator[list[str]]:
    for share in performance.most_frequent:
        yield [share.name, str(share.count), f"{share.percent:.0f} %"]


def _named(names: list[str]) -> str:
    return ", ".join(names) or "none"


def _covered(times: int, now: list[str]) -> str:
    from logger.report.words import counted

    return f"{counted(times, 'time')}; at the end: {_named(now)}" if times or now else "never"


def _answers(performance: "Performance") -> str:
    from logger.report.words import age

    answers = performance.answers
    parts = []
    if answers.median_s is not None and answers.longest_s is not None:
        parts.append(f"{age(answers.median_s)} (median of {answers.acknowledged}), {age(answers.longest_s)} at most")
    if answers.unanswered:
        parts.append(f"{answers.unanswered} never acknowledged")
    return "; ".join(parts) or "nothing to acknowledge"
