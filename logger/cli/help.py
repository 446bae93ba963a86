"""Read about a topic: alarms, calibrating, mqtt, probes ..."""

import click

from logger.cli._common import sentences
from logger.cli._requests import examples


@click.command(
    epilog=examples("vatvigil help", "vatvigil help alarms", "vatvigil help settings | less"),
)
@click.argument("topic", required=False)
@sentences
def help(topic: str | None) -> None:  # noqa: A001 - the command's name
    """Show a TOPIC of the reference; without one, the list of topics."""
    from logger.help import TOPICS
    from logger.report import reference

    if topic is None:
        click.echo(_list())
    elif topic in TOPICS:
        click.echo_via_pager(reference.text(topic, {"commands": _commands}))
    else:
        raise click.BadParameter(_no_such(topic), param_hint="TOPIC")


def _list() -> str:
    from logger.help import subjects

    lines = (f"  {topic:<16} {subject}" for topic, subject in subjects().items())
    return "\n".join(["Topics, each shown by `vatvigil help TOPIC`:", "", *lines])


def _commands() -> str:
    """Return the table of commands, from the commands themselves."""
    from logger.report.reference.markdown import table

    return table(("command", "does"), [(f"`vatvigil {name}`", does) for name, does in _all().items()])


def _all() -> dict[str, str]:
    """Return what each command does, by its name."""
    from logger.cli import main

    context = click.Context(main, info_name="vatvigil")
    commands = {name: main.get_command(context, name) for name in main.list_commands(context)}
    return {name: command.get_short_help_str(limit=200) for name, command in commands.items() if command}


def _no_such(topic: str) -> str:
    """Say what may be meant by a word that is no topic."""
    from logger.help import TOPICS
    from logger.settings.problems import suggestion

    if topic in _all():
        return f"{topic!r} is a command: `vatvigil {topic} -h` explains it"
    return f"there is no topic {topic!r}; {suggestion(topic, TOPICS)}"
