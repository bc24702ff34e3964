"""What each limit decides, as the comments in the files of limits say."""

from __future__ import annotations

from functools import cache

from loggerd.model.bank import BankType
from loggerd.settings.shipped import shipped_path


@cache
def limit_notes(bank_type: BankType) -> dict[str, str]:
    """Name of each limit that comes with loggerd for a type of battery: the comment above its table.

    For a file that `load_limits` has read. Raises FileNotFoundError, OSError.
    """
    text = shipped_path(f"limits/{bank_type.value}.toml").read_text(encoding="utf-8-sig")
    found = {}
    comment: list[str] = []
    for line in text.splitlines():
        if line.startswith("#"):
            comment.append(line.lstrip("#").strip())
        elif line.startswith("["):
            found[line.strip(" []")] = " ".join(comment)
            comment = []
        elif not line.strip():
            comment = []
    return found
