"""Mails in a real browser: nothing is wider than a narrow telephone."""

from __future__ import annotations

import base64
import html
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from mail_samples import digest, flood, heartbeat, mixed_alarms, short_alarm

from loggerd.wording.mail import Mail

NARROW = 320
CHROMIUM = shutil.which("chromium")
_MEASURE = """<script>
onload = () => { document.body.dataset.widths = [...document.querySelectorAll("iframe")].map(frame => {
  const page = frame.contentDocument;
  const right = [...page.querySelectorAll("body *")].map(one => one.getBoundingClientRect().right);
  return Math.ceil(Math.max(page.documentElement.scrollWidth, ...right));
}).join(" "); };
</script>"""


def _frame(mail: Mail, extra: str = "") -> str:
    page = mail.html.replace("</body>", f"{extra}</body>")
    for one in mail.attachments:
        data = base64.b64encode(one.content).decode("ascii")
        page = page.replace(f"cid:{one.content_id}", f"data:{one.media_type};base64,{data}")
    return f'<iframe style="border:0;width:{NARROW}px;height:3000px" srcdoc="{html.escape(page)}"></iframe>'


def _widths(folder: Path, frames: list[str]) -> list[int]:
    """How wide each page wants to be, in a frame of NARROW pixels."""
    assert CHROMIUM is not None
    page = folder / "mails.html"
    page.write_text(f"<!DOCTYPE html><meta charset=utf-8><body>{''.join(frames)}{_MEASURE}</body>", "utf-8")
    command = [
        CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}", "--dump-dom",
        page.as_uri(),
    ]  # fmt: skip
    dom = subprocess.run(command, check=True, timeout=120, capture_output=True, text=True).stdout
    told = re.search(r'data-widths="([0-9 ]+)"', dom)
    assert told is not None
    return [int(width) for width in told[1].split()]


@pytest.mark.skipif(CHROMIUM is None, reason="needs Debian's chromium")
def test_no_mail_is_wider_than_a_narrow_telephone(tmp_path: Path) -> None:
    mails = [
        mail for language in ("en", "de")
        for mail in (
            short_alarm(language), mixed_alarms(language), flood(language, 20), digest(language), heartbeat(language)
        )
    ]  # fmt: skip
    too_wide = _frame(mails[0], '<div style="width:500px">x</div>')
    *widths, known = _widths(tmp_path, [*map(_frame, mails), too_wide])
    assert len(widths) == len(mails)
    assert max(widths) <= NARROW  # less by a scroll bar where a page is long
    assert known > NARROW, "the measuring sees what is too wide"
