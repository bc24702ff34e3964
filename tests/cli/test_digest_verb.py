"""loggerd digest: what would be mailed now, to look at, and to be mailed at once."""

from __future__ import annotations

import base64
import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from cli_files import COURSE, SITE, STEP_SECONDS, call
from smtp_servers import Manners, serving

from loggerd.letters import Letters
from loggerd.mailing import receivers_of
from loggerd.model.outbox import ItemKind
from loggerd.outputs.planning import Letter
from loggerd.settings.load import load_settings
from loggerd.store.record import RecordReader, RecordWriter

OLD_LOG = """
[[device]]
name = "old logger"
bank = "house"

[device.connection]
kind = "csv"
path = "old-log.csv"
time_field = "time"

[[device.channel]]
channel = "volts"
field = "volts"
resolution = 0.01
unit = "V"

[[device.channel]]
channel = "amps"
field = "amps"
resolution = 0.01
unit = "A"
valid = [-100, 100]
"""
MAIL = """
[mail]
server = "127.0.0.1"
port = {port}
security = "none"
from = "hut@site.test"

[[keeper]]
name = "anna"
mail = "anna@home.test"

[[keeper]]
name = "bernd"
mail = "bernd@home.test"
language = "de"
digest = "daily"
"""


def site(folder: Path, port: int | None = None) -> Path:
    """A site whose record has a cycle of 20 Ah out and 22 Ah in before last midnight, and then 10 Ah out again."""
    path = folder / "site.toml"
    path.write_text(SITE + OLD_LOG + (MAIL.format(port=port) if port else ""), encoding="utf-8")
    today = datetime.now(ZoneInfo("Europe/Vienna")).replace(hour=0, minute=0, second=0, microsecond=0)
    at = (today - timedelta(hours=18)).astimezone(UTC)
    rows = ["time,volts,amps"]
    for hours, amps, volts in (*COURSE, (1.0, -10.0, 49.0), (0.5, 0.0, 50.0)):
        for _ in range(round(hours * 3600 / STEP_SECONDS)):
            rows.append(f"{at.isoformat()},{volts:.2f},{amps:.2f}")
            at += timedelta(seconds=STEP_SECONDS)
    (folder / "old-log.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    assert call("import", path, folder / "old-log.csv") == 0
    return path


def flat(text: str) -> str:
    return " ".join(text.split())


def test_without_keepers_it_tells_of_all_banks_in_english(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = site(tmp_path)
    record = load_settings(path).record.path
    before = {one.name: one.read_bytes() for one in tmp_path.iterdir() if one.name.startswith(Path(record).name)}
    capsys.readouterr()
    writer = RecordWriter.open(Path(record))
    try:
        assert call("digest", path) == 0, "beside whoever writes the record"
    finally:
        writer.close()
    said = flat(capsys.readouterr().out)
    assert "Digest of the week" in said
    assert "Bank house" in said
    assert "Taken out: 20.0 Ah" in said
    assert "Put back: 22.0 Ah" in said
    after = {name: (tmp_path / name).read_bytes() for name in before}
    assert after == before, "nothing is changed"


def test_the_number_of_days_can_be_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = site(tmp_path)
    capsys.readouterr()
    for days, title in ((1, "Digest of the day"), (3, "Digest of 3 days"), (7, "Digest of the week")):
        assert call("digest", path, "--days", str(days), "--json") == 0
        document = json.loads(capsys.readouterr().out)
        assert (document["days"], len(document["banks"][0]["days"])) == (days, days)
        assert call("digest", path, "--days", str(days)) == 0
        assert title in capsys.readouterr().out
    for wrong in ("0", "93", "x", "-1"):
        assert call("digest", path, "--days", wrong) == 2
    assert "from 1 to 92" in capsys.readouterr().err


def test_json_has_the_figures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = site(tmp_path)
    capsys.readouterr()
    assert call("digest", path, "--days", "1", "--json") == 0
    (bank,) = json.loads(capsys.readouterr().out)["banks"]
    assert bank["bank"] == "house"
    assert bank["cycles"]["count"] == 1
    assert bank["cycles"]["discharge_amp_hours"] == pytest.approx(20.0, abs=0.1)
    assert bank["cycles"]["charge_factor"] == pytest.approx(1.1, abs=0.01)
    (day,) = bank["days"]
    assert (day["out_amp_hours"], day["in_amp_hours"]) == pytest.approx((30.0, 22.0), abs=0.1)
    assert bank["findings"]
    assert all(one["says"] for one in bank["findings"])


def test_the_page_has_its_picture_inside(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, page = site(tmp_path), tmp_path / "digest.html"
    capsys.readouterr()
    assert call("digest", path, "--html", page) == 0
    assert capsys.readouterr().out == ""
    text = page.read_text(encoding="utf-8")
    (picture,) = re.findall(r'src="data:image/png;base64,([^"]+)"', text)
    assert base64.b64decode(picture).startswith(b"\x89PNG")
    assert "cid:" not in text
    assert call("digest", path, "--html", tmp_path / "nowhere" / "x.html") == 1
    assert "cannot be written" in capsys.readouterr().err


def test_it_is_the_mail_that_the_keeper_gets(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same text as the service would compose for this keeper."""
    path = site(tmp_path, port=25)
    capsys.readouterr()
    assert call("digest", path, "--keeper", "bernd") == 0
    said = capsys.readouterr().out
    settings = load_settings(path)
    (bernd,) = (one for one in receivers_of(settings) if one.name == "bernd")
    reader = RecordReader.open(Path(settings.record.path))
    now_ms = round(datetime.now(UTC).timestamp() * 1000)
    mail = Letters(settings)(Letter(bernd, ItemKind.DIGEST.value, (), {}, now_ms), reader)
    reader.close()
    assert said == f"{mail.subject}\n\n{mail.plain}"
    assert "Tagesbericht" in said
    assert call("digest", path, "--keeper", "carl") == 2
    assert "anna, bernd" in capsys.readouterr().err


def test_it_can_be_mailed_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with serving(Manners()) as manners:
        path = site(tmp_path, manners.port)
        capsys.readouterr()
        assert call("digest", path, "--send", "--keeper", "bernd") == 0
        assert "the mail was taken" in capsys.readouterr().out
        assert call("digest", path, "--send") == 2
        assert "--keeper: anna, bernd" in capsys.readouterr().err
    (taken,) = manners.taken
    assert taken.receivers == ["bernd@home.test"]
    assert "Tagesbericht" in taken.text
    assert any(part.get_content_type() == "image/png" for part in taken.parsed.walk())


def test_a_server_that_says_no_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with serving(Manners(rcpt=lambda _: "550 nobody")) as manners:
        path = site(tmp_path, manners.port)
        assert call("digest", path, "--send", "--keeper", "anna") == 1
    assert "550 nobody" in capsys.readouterr().out
    assert manners.taken == []


def test_without_a_record_or_keepers_it_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    assert call("digest", path) == 1
    assert "record" in capsys.readouterr().err
    assert call("digest", path, "--send") == 2
    assert "[mail]" in capsys.readouterr().err
