"""Renders sample mails to pictures, to be looked at: python tests/wording/render_mails.py FOLDER [NAME...].

Not a test. Needs Debian's chromium. Writes, for each mail and language, the plain text, the HTML, and pictures of the
HTML at 320 and 800 pixels, in light and dark.
"""

from __future__ import annotations

import base64
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "helpers"))

from mail_samples import every_mail

from loggerd.wording.mail import Mail

CHROMIUM = ("chromium", "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars")
SIZES = ((320, 2600), (800, 2000))


def with_pictures(mail: Mail) -> str:
    """The HTML with its pictures inside, as a mail program would show it."""
    page = mail.html
    for one in mail.attachments:
        data = base64.b64encode(one.content).decode("ascii")
        page = page.replace(f"cid:{one.content_id}", f"data:{one.media_type};base64,{data}")
    return page


def shoot(page: Path, picture: Path, width: int, height: int, *dark: str) -> None:
    """A headless window is never narrower than 500 pixels, so a narrow page is shown in a frame of its width."""
    frame = page.with_suffix(f".{width}.frame.html")
    style = f"border:0;width:{width}px;height:{height}px"
    frame.write_text(f'<body style="margin:0"><iframe src="{page.name}" style="{style}"></iframe></body>', "utf-8")
    command = [*CHROMIUM, *dark, f"--screenshot={picture}", f"--window-size={width},{height}", frame.as_uri()]
    subprocess.run(command, check=True, timeout=60, capture_output=True)


def main(folder: Path, names: list[str]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for language in ("en", "de"):
        for name, mail in every_mail(language).items():
            if names and name not in names:
                continue
            base = (folder / f"{name}.{language}").resolve()
            Path(f"{base}.txt").write_text(f"{mail.subject}\n\n{mail.plain}", "utf-8")
            page = Path(f"{base}.html")
            page.write_text(with_pictures(mail), "utf-8")
            for width, height in SIZES:
                shoot(page, Path(f"{base}.{width}.png"), width, height)
            shoot(page, Path(f"{base}.dark.png"), 320, SIZES[0][1], "--blink-settings=preferredColorScheme=0")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
