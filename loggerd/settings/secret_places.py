"""Where a secret may stand: a file, the environment, a systemd credential. Never in the settings themselves."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from loggerd.errors import DeliveryRefused

VARIABLE_NAME = r"^[A-Z_][A-Z0-9_]{0,63}$"
CREDENTIAL_NAME = r"^[A-Za-z][A-Za-z0-9_.-]{0,63}$"


def read_secret(what: str, file: str | None, variable: str | None, credential: str | None) -> str:
    """The secret, "" where no place is named. `what` it is, in words. Raises DeliveryRefused, never showing it."""
    if credential is not None:
        folder = os.environ.get("CREDENTIALS_DIRECTORY")
        if not folder:
            raise DeliveryRefused(f'no systemd credentials here, so none named "{credential}"')
        return _in_file(what, Path(folder) / credential)
    if file is not None:
        return _in_file(what, Path(file))
    if variable is not None:
        secret = os.environ.get(variable, "")
        if not secret:
            raise DeliveryRefused(f"the environment has no {variable} with the {what} in it")
        return secret
    return ""


def _in_file(what: str, path: Path) -> str:
    try:
        with path.open("rb") as stream:
            mode = os.fstat(stream.fileno()).st_mode
            content = stream.read(65_536)
    except OSError as error:
        raise DeliveryRefused(f"the {what} cannot be read from {path}: {error.strerror}") from error
    if stat.S_IMODE(mode) & 0o007:
        raise DeliveryRefused(
            f"{path} holds the {what} and may be read by everybody on this machine; take that away (chmod o= {path})"
        )
    try:
        secret = content.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise DeliveryRefused(f"{path} holds no text, so no {what}") from None
    if not secret:
        raise DeliveryRefused(f"{path} is empty; expected the {what}")
    return secret
