"""Serve a page to look at, for a browser or a telephone.

Law: it only reads; nothing but this machine reaches it without a token.
"""

import os
from pathlib import Path

import click

from logger.cli._common import CAUTION, complain, config_option, load_config, sentences
from logger.cli._requests import examples, now_us, print_simulated
from logger.errors import RefusedError

PORT = 8480
JOURNAL = "JOURNAL_STREAM"
"""Of the environment: what is printed goes into the system's journal, which others may read (systemd.exec(5))."""


@click.command(
    epilog=examples(
        "vatvigil page",
        "vatvigil page --address 0.0.0.0",
        "vatvigil page --address 0.0.0.0 --print-address",
    ),
)
@click.option(
    "--address",
    default="127.0.0.1",
    show_default=True,
    help="Where to serve: this machine only; 0.0.0.0 for each network that it is in, with a token.",
)
@click.option("--port", type=click.IntRange(0, 65535), default=PORT, show_default=True, help="0: any that is free.")
@click.option(
    "--name", "names", multiple=True, metavar="NAME", help="Another name by which browsers may call this machine."
)
@click.option(
    "--token-file",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("vatvigil-page.token"),
    envvar="VATVIGIL_PAGE_TOKEN_FILE",
    show_default=True,
    help="Holds the token, and is made if it is not there (also by VATVIGIL_PAGE_TOKEN_FILE).",
)
@click.option("--print-address", is_flag=True, help="Print the address for a telephone, and end.")
@config_option
@sentences
def page(
    address: str, port: int, names: tuple[str, ...], token_file: Path, config_path: Path, *, print_address: bool
) -> None:
    """Serve a page with all vats at a glance, and of each its curve, its alarms and its journal.

    It only looks: nothing can be commanded there. Elsewhere than on this machine it wants a token, which is in the
    address that is printed: open that on a telephone once, and keep it to yourself. What is served is not encrypted:
    use it in a network that you trust. pH alone does not make food safe.
    """
    try:
        from logger.page import access
        from logger.page.app import application
        from logger.page.serve import serve
        from logger.page.source import Source
    except ModuleNotFoundError as missing:
        raise RefusedError(
            f"the page needs the package {missing.name}: install vatvigil[page], such as with `pip install "
            "'vatvigil[page]'`"
        ) from None
    config = load_config(config_path)
    token = "" if access.is_loopback(address) else access.token_of(token_file)
    if print_address:
        click.echo(access.shown_address(address, port, token=token))
        return
    with access.opened(address, port) as listening:
        own_port = listening.getsockname()[1]
        source = Source(config, lambda: now_us(config))
        print_simulated(simulated=config.simulated)
        for line in _greeting(access.shown_address(address, own_port, token=token), token=token):
            click.echo(line)
        names = (*names, *access.own_names())
        serve(application(source, caution=CAUTION, names=names, token=token), listening)
        source.close()


def _greeting(where: str, *, token: str) -> list[str]:
    if not token:
        return [f"The page is at {where} on this machine only. Ctrl-C ends it."]
    if JOURNAL in os.environ:
        complain("The page is served. `vatvigil page --print-address`, with the same options, prints its address.")
        return []
    return [f"For a telephone in the same network: {where}", "Whoever has this address may look. Ctrl-C ends it."]
