"""Limits and settings on the pages: all of them, with sources, and nothing that is secret."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from page_forms import tags_of, text_of
from seeded_site import weak_cabin
from web_client import READER, client_of

from loggerd.model.access import Role, SignedIn
from loggerd.outputs.web.limit_topics import OTHERS, TOPICS, topic_of
from loggerd.settings.limits import limit_names
from loggerd.settings.load import load_settings
from loggerd.settings.shipped import shipped_path
from loggerd.settings.site import SiteSettings

LIMITS = "/bank/house/limits"


@pytest.fixture
def site(tmp_path: Path) -> SiteSettings:
    return weak_cabin(tmp_path)


def with_settings(site: SiteSettings, change: tuple[str, str] | None = None, more: str = "") -> SiteSettings:
    """The same site with its settings changed, or more of them."""
    path = Path(site.record.path).with_name("site.toml")
    text = path.read_text(encoding="utf-8")
    if change is not None:
        assert change[0] in text
        text = text.replace(*change, 1)
    path.write_text(text + more, encoding="utf-8")
    return load_settings(path)


def sections(html: str) -> dict[str, str]:
    """Every limit of the page by its name, as it is read."""
    found = re.findall(r'<section class="limit" id="([a-z0-9_]+)">(.*?)</section>', html, re.DOTALL)
    return {name: text_of(part) for name, part in found}


def test_every_limit_is_there_with_value_unit_source_and_what_it_decides(site: SiteSettings) -> None:
    shown = sections(client_of(site).get(LIMITS).text)
    path = shipped_path("limits/flooded_antimony.toml")
    shipped = tomllib.loads(path.read_text(encoding="utf-8"))
    comments = dict(re.findall(r"^# (.*)\n\[(\w+)\]$", path.read_text(encoding="utf-8"), re.MULTILINE)[::-1])
    assert set(shown) == set(shipped) == set(limit_names())
    for name, table in shipped.items():
        unit = "" if table["unit"] == "1" else f" {table['unit']}"
        assert f": {table['value']:.10g}{unit}" in shown[name]
        assert " ".join(table["source"].split()) in shown[name]
        assert "Preset of the type of battery" in shown[name]
    for decides, name in comments.items():
        assert decides in shown[name]
    assert len(comments) > 100


def test_where_sources_disagree_that_is_said(site: SiteSettings) -> None:
    shown = sections(client_of(site).get(LIMITS).text)
    shipped = tomllib.loads(shipped_path("limits/flooded_antimony.toml").read_text(encoding="utf-8"))
    disagree = {name for name, table in shipped.items() if "sources disagree" in table["source"].lower()}
    assert {name for name, text in shown.items() if "Sources disagree." in text} == disagree
    assert disagree


def test_every_limit_has_a_heading_of_its_topic() -> None:
    assert [name for name in limit_names() if topic_of(name) == OTHERS] == []
    placed = [name for _, names in TOPICS for name in names.split()]
    assert sorted(placed) == sorted(limit_names()), "each stands once, and nothing that is no limit"


def test_a_limit_of_ones_own_stands_in_the_place_of_the_preset_from_its_date_on(site: SiteSettings) -> None:
    own = (
        '\n[[bank.limit]]\nname = "equalize_days"\nvalue = 45\nsource = "data <sheet>"\nsince = 2026-09-01T00:00:00Z\n'
    )
    later = '[[bank.limit]]\nname = "equalize_days"\nvalue = 60\nsource = "next year"\nsince = 2027-01-01T00:00:00Z\n'
    changed = with_settings(site, ("[[device]]", f"{own}{later}\n[[device]]"))
    shown = sections(client_of(changed).get(LIMITS).text)["equalize_days"]
    assert "Equalize days: 45 days" in shown
    assert "Own, of the settings; since Tue 1 Sep 2026, 02:00 (UTC+02:00)" in shown
    assert "Source: data <sheet>" in shown
    assert "Before: " in shown
    assert "From then on: 60 days, since Fri 1 Jan 2027" in shown


def test_limits_and_channels_are_found_by_a_word(site: SiteSettings) -> None:
    client = client_of(site)
    html = client.get(f"{LIMITS}?q=GASSING volts").text
    found = sections(html)
    assert "gassing_volts_per_cell" in found
    assert "peukert_exponent" not in found
    assert all("gassing" in text.lower() for text in found.values())
    assert f"{len(found)} of {len(limit_names())} limits" in text_of(html)
    channels = [
        text_of(row) for row in re.findall(r"<tr>(.*?)</tr>", client.get(f"{LIMITS}?q=block_5_volts").text, re.DOTALL)
    ]
    assert [row for row in channels[1:] if not row.startswith("block_5_volts")] == []
    assert len(channels) == 2
    nothing = client.get(f"{LIMITS}?q=%3Cscript%3Ezzz").text
    assert sections(nothing) == {}
    assert tags_of(nothing, "script") == []
    assert "<script>zzz" in text_of(nothing)


def folded(html: str) -> list[bool]:
    """Whether each part of the page that can be folded is."""
    return ["open" not in given for given in tags_of(html, "details") if given.get("class") == "topic"]


def test_headings_are_folded_and_what_was_looked_for_is_not(site: SiteSettings) -> None:
    client = client_of(site)
    shut = folded(client.get(LIMITS).text)
    assert shut == [True] * (len(TOPICS) + 1), "every topic, and the channels"
    assert folded(client.get(f"{LIMITS}?q=gassing").text).count(False) >= 1
    assert True not in folded(client.get(f"{LIMITS}?q=gassing").text)


def test_every_channel_of_the_bank_is_there_with_device_place_scale_sign_and_accuracy(site: SiteSettings) -> None:
    html = client_of(site).get(LIMITS).text
    rows = [text_of(row) for row in re.findall(r"<tr>(.*?)</tr>", html, re.DOTALL)][1:]
    wanted = [one for device in site.devices for one in device.channels]
    assert len(rows) == len(wanted) > 5
    amps = next(row for row in rows if row.startswith("amps"))
    assert "shunt" in amps
    assert "charge positive" in amps or "sign reversed" in amps
    assert "accuracy: " in amps
    assert "valid " in amps


def test_a_dated_correction_of_a_channel_is_shown_with_its_date_and_reason(site: SiteSettings) -> None:
    correction = (
        "[[device.channel.correction]]\nsince = 2026-09-10T00:00:00Z\noffset = 0.25\n"
        'because = "against a <clamp> meter"\n'
    )
    text = Path(site.record.path).with_name("site.toml").read_text(encoding="utf-8")
    first = text.index("[[device.channel]]")
    second = text.index("[[device.channel]]", first + 1)
    Path(site.record.path).with_name("site.toml").write_text(text[:second] + correction + "\n" + text[second:])
    shown = text_of(client_of(with_settings(site)).get(LIMITS).text)
    assert "from 2026-09-10 02:00:00+02:00 on (against a <clamp> meter): " in shown
    assert "+ 0.25" in shown


def test_nothing_can_be_changed_on_the_page(site: SiteSettings) -> None:
    html = client_of(site).get(LIMITS).text
    assert {one.get("method") for one in tags_of(html, "form")} == {"get"}
    assert client_of(site, READER).get(LIMITS).status_code == 200
    assert client_of(site, None).get(LIMITS).status_code == 303


def test_temperatures_are_in_the_unit_of_who_reads(site: SiteSettings) -> None:
    shown = sections(client_of(site, SignedIn("fred", Role.READER, fahrenheit=True)).get(LIMITS).text)
    assert "Reference celsius: 77 °F" in shown["reference_celsius"]
    shown = sections(client_of(site, SignedIn("gerda", Role.READER, language="de")).get(LIMITS).text)
    assert ": 2,467 V per cell" in shown["absorption_volts_per_cell"]


def test_secrets_never_appear(site: SiteSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    secret = tmp_path / "where-the-password-is"
    secret.write_text("hunter2-in-file")
    secret.chmod(0o600)
    monkeypatch.setenv("LOGGERD_TOKEN", "hunter2-in-environment")
    more = f"""
[mail]
server = "mail.example.org"
from = "logger@example.org"
user = "logger"
password_file = "{secret}"
[webhook]
url = "https://hooks.example.org/hunter2-in-address"
secret_env = "LOGGERD_TOKEN"
[[keeper]]
name = "anna"
mail = "anna@example.org"
"""
    client = client_of(with_settings(site, more=more))
    for place in (LIMITS, "/logger", "/alarms", "/log", "/bank/house/log/new?kind=note"):
        answer = client.get(place)
        assert answer.status_code == 200
        assert "hunter2" not in answer.text
        assert str(secret) not in answer.text
        assert "LOGGERD_TOKEN" not in answer.text


def test_markup_in_names_of_bank_and_devices_is_shown_as_it_was_written(site: SiteSettings) -> None:
    text = Path(site.record.path).with_name("site.toml").read_text(encoding="utf-8")
    renamed = text.replace('"house"', '"<b>hou&se"').replace('name = "shunt"', 'name = "<img src=x>"')
    path = Path(site.record.path).with_name("nasty.toml")
    path.write_text(renamed, encoding="utf-8")
    client = client_of(load_settings(path))
    bank = "/bank/%3Cb%3Ehou%26se"
    for place in (
        f"{bank}/limits",
        f"{bank}/log",
        f"{bank}/log/new",
        f"{bank}/log/new?kind=watering",
        "/log",
        "/logger",
        "/alarms",
    ):
        html = client.get(place).text
        assert tags_of(html, "img") == []
        assert tags_of(html, "b") == []
    shown = text_of(client.get(f"{bank}/limits").text)
    assert "<b>hou&se" in shown
    assert "<img src=x>" in shown
    links = [one["href"] for one in tags_of(client.get("/log").text, "a") if "/log/new" in one.get("href", "")]
    assert links == [f"{bank}/log/new"]
