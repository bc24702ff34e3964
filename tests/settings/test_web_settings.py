"""[web]: what cannot be true at once, and what would carry passwords over an open line, is refused with a way out."""

from __future__ import annotations

from pathlib import Path

import pytest

from loggerd.errors import SettingsError
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings

SITE = """\
[site]
name = "Hut"
timezone = "UTC"
[[bank]]
name = "house"
type = "agm"
strings = 2
blocks_per_string = 4
cells_per_block = 6
rated_amp_hours = 200
rated_hours = 20
[web]
"""
TLS = 'certificate_file = "c.pem"\nkey_file = "k.pem"\n'
HTTPS = 'address = "https://hut.example.org"\n'


def settings_of(folder: Path, text: str) -> SiteSettings:
    path = folder / "site.toml"
    path.write_text(SITE + text, encoding="utf-8")
    return load_settings(path)


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ('certificate_file = "c.pem"\n', "certificate_file", '"certificate_file" and "key_file" together'),
        ('key_file = "k.pem"\n', "key_file", 'no "certificate_file" beside it'),
        ("links_in_mails = true\n", "links_in_mails", 'the key "address"'),
        ('address = "https://example.org/hut"\n', "address", "without a path"),
        ('listen = "0.0.0.0"\n', "listen", "passwords would cross the network"),
        ('listen = "::"\n', "listen", '"certificate_file" and "key_file"'),
        ('listen = "192.168.7.2"\naddress = "http://hut.example.org"\n', "listen", "passwords would cross"),
        ('listen = "localhost"\n', "listen", "the address to listen at"),
    ],
)
def test_what_cannot_be_is_named_with_a_way_out(tmp_path: Path, text: str, key: str, words: str) -> None:
    with pytest.raises(SettingsError) as caught:
        settings_of(tmp_path, text)

    (fault,) = caught.value.faults
    assert f'key "{key}"' in fault.where
    assert words in str(fault)


@pytest.mark.parametrize(
    ("text", "encrypted"),
    [
        ("", False),
        ('listen = "127.0.0.2"\n', False),
        ('listen = "::1"\n', False),
        ('address = "http://localhost:8460"\nlinks_in_mails = true\n', False),
        ('listen = "0.0.0.0"\n' + TLS, True),
        ('listen = "10.8.0.1"\n' + HTTPS, True),
        (HTTPS + "links_in_mails = true\n", True),
    ],
)
def test_what_can_be_is_taken(tmp_path: Path, text: str, encrypted: bool) -> None:
    assert settings_of(tmp_path, text).web.encrypted is encrypted


def test_paths_are_relative_to_the_file(tmp_path: Path) -> None:
    web = settings_of(tmp_path, TLS).web

    assert (web.certificate_file, web.key_file) == (str(tmp_path / "c.pem"), str(tmp_path / "k.pem"))
