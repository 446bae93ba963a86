"""Commands: parse, call, print. No rule of the trade lives here."""

import click


@click.group()
def main() -> None:
    """Watch a fermenting vat through the night."""
