"""Files that tests write, and what comes of them."""

from pathlib import Path

import pytest

from logger.config import Config
from logger.errors import ConfigurationError
from logger.settings import load

STORE = '[store]\npath = "log.sqlite"\n'
PROBE = '[probe.p]\nport = "/dev/ttyUSB0"\n'
VAT = '[vat.v]\nprobe = "p"\n'
WHOLE = STORE + PROBE + VAT


def loaded(file: Path, text: str, **environ: str) -> Config:
    file.write_text(text, encoding="utf-8")
    return load(file, environ=environ)


def complaints(file: Path, text: str, **environ: str) -> list[str]:
    """The sentences, the file's name replaced by FILE."""
    with pytest.raises(ConfigurationError) as caught:
        loaded(file, text, **environ)
    return str(caught.value).replace(str(file), "FILE").replace(str(file.parent), "FOLDER").splitlines()
