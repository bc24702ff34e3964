"""A mistake in the words does not keep an alarm from being told."""

from __future__ import annotations

from pathlib import Path

import pytest
from cli_files import SITE
from hand_recording import HandClock
from outbox_bench import HOUR, Bench, key
from smtp_servers import Manners, serving

from loggerd.delivering import Delivery
from loggerd.mailing import receivers_of, ways_of
from loggerd.outputs.planning import Letter
from loggerd.settings.load import load_settings
from loggerd.store.record import RecordReader
from loggerd.wording.mail import Mail


@pytest.mark.parametrize("fault", [KeyError("text"), ValueError("x"), ZeroDivisionError(), AttributeError("y")])
def test_a_mail_whose_words_cannot_be_made_goes_without(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, fault: Exception
) -> None:
    def broken(letter: Letter, reader: RecordReader) -> Mail:
        raise fault

    with serving(Manners()) as manners:
        table = f'[mail]\nserver = "127.0.0.1"\nport = {manners.port}\nsecurity = "none"\nfrom = "hut@site.test"\n'
        keeper = '[[keeper]]\nname = "anna"\nmail = "anna@home.test"\n'
        (tmp_path / "site.toml").write_text(SITE + table + keeper, encoding="utf-8")
        settings = load_settings(tmp_path / "site.toml")
        bench = Bench(tmp_path / "record.sqlite", receivers_of(settings), HandClock())
        (way,) = ways_of(settings, broken, lambda letter, reader: {})
        bench.look(key("short", "block 7"))
        bench.run(Delivery(bench.path, way, bench.store, bench.clock), HOUR)
        bench.close()
    (taken,) = manners.taken
    assert "high: short, block 7, bank house: raised" in taken.text
    assert "cannot be made" in caplog.text
