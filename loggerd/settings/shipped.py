"""Finds the presets, device maps and examples that come with loggerd."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent.parent


def shipped_path(relative: str) -> Path:
    """Path of a file or folder that comes with loggerd, such as `devices/example-shunt-monitor.toml`.

    An installed copy carries them inside the package, a checkout beside it. Raises FileNotFoundError.
    """
    parts = Path(relative).parts
    if not parts or ".." in parts or Path(relative).is_absolute():
        raise FileNotFoundError(relative)
    for folder in (_PACKAGE / "shipped_config", _PACKAGE.parent / "config"):
        if folder.is_dir():
            path = folder / relative
            if path.exists():
                return path
            raise FileNotFoundError(path)
    raise FileNotFoundError(relative)
