"""Every key of the settings wrong in turn gives an error that names the key and its line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from loggerd.errors import SettingsError, SettingsFault
from loggerd.settings.base import Table
from loggerd.settings.connection import KINDS
from loggerd.settings.load import load_settings
from loggerd.settings.models import (
    AccuracySettings,
    BankSettings,
    ChannelSettings,
    CorrectionSettings,
    DeviceSettings,
    HeartbeatSettings,
    KeeperSettings,
    LimitSettings,
    LinesSettings,
    MailSettings,
    RecordSettings,
    ShuntSettings,
    SiteTable,
    TimeSeriesSettings,
    WebhookSettings,
    WebSettings,
)

FULL = (Path(__file__).parent / "full_site.toml").read_text(encoding="utf-8").split("\n")
MARK = re.compile(r"# @(\S+)$")
LINE_OF = {match[1]: number for number, text in enumerate(FULL, 1) if (match := MARK.search(text))}
KEYS = [mark for mark in LINE_OF if FULL[LINE_OF[mark] - 1].partition("=")[1]]
TABLES: dict[str, type[Table]] = {
    "site": SiteTable,
    "record": RecordSettings,
    "bank": BankSettings,
    "limit": LimitSettings,
    "device": DeviceSettings,
    "channel": ChannelSettings,
    "shunt": ShuntSettings,
    "accuracy": AccuracySettings,
    "correction": CorrectionSettings,
    "correction_shunt": ShuntSettings,
    "correction_accuracy": AccuracySettings,
    "lines": LinesSettings,
    "time_series": TimeSeriesSettings,
    "mail": MailSettings,
    "keeper": KeeperSettings,
    "webhook": WebhookSettings,
    "heartbeat": HeartbeatSettings,
    "web": WebSettings,
    **KINDS,
}
# Only one of the places of a secret may be given; the others have tests of their own.
NOT_IN_FULL = {
    f"{place}_{kind}"
    for place in ("time_series.token", "mail.password", "webhook.secret", "heartbeat.secret")
    for kind in ("env", "credential")
}
# Their values are not shown.
SECRET = (
    "time_series.url",
    "time_series.token",
    "mail.password",
    "webhook.secret",
    "webhook.url",
    "heartbeat.secret",
)
OUT_OF_RANGE = {
    "site.name": '""',
    "site.timezone": '"Europe/Atlantis"',
    "record.path": '""',
    "record.commit_seconds": "0",
    "record.raw_days": "0",
    "record.minute_days": "-1",
    "record.backup_path": '""',
    "bank.name": '"a/b"',
    "bank.type": '"lithium"',
    "bank.strings": "0",
    "bank.blocks_per_string": "401",
    "bank.cells_per_block": "7000",
    "bank.rated_amp_hours": "0",
    "bank.rated_hours": "-20",
    "bank.rated_volts": "36",
    "bank.dwell_seconds": "0",
    "bank.minimum_swing": "1.5",
    "limit.name": '"rest_hours_setled"',
    "limit.value": "-3",
    "limit.source": '""',
    "limit.since": "1970-01-01T00:00:00Z",
    "device.name": '" x"',
    "device.poll_seconds": "0",
    "device.bank": '"horse"',
    "device.map": '"no-such-map.toml"',
    "device.leave_out": '["block_99_volts"]',
    "device.connection.kind": '"modbus_ascii"',
    "modbus_tcp.host": '"a b"',
    "modbus_tcp.port": "70000",
    "modbus_tcp.device_id": "256",
    "modbus_tcp.timeout_seconds": "3600",
    "modbus_rtu.port": '""',
    "modbus_rtu.baud": "9601",
    "modbus_rtu.parity": '"M"',
    "modbus_rtu.stop_bits": "3",
    "modbus_rtu.device_id": "248",
    "modbus_rtu.timeout_seconds": "0",
    "modbus_rtu.quiet_seconds": "0.4",
    "sunspec_tcp.host": '""',
    "sunspec_tcp.port": "0",
    "sunspec_tcp.device_id": "-1",
    "sunspec_tcp.timeout_seconds": "11",
    "sunspec_serial.port": '"a\\u0000b"',
    "sunspec_serial.baud": "1",
    "sunspec_serial.parity": '"e"',
    "sunspec_serial.stop_bits": "0",
    "sunspec_serial.device_id": "0",
    "sunspec_serial.timeout_seconds": "-0.5",
    "sunspec_serial.quiet_seconds": "31",
    "serial_lines.port": '""',
    "serial_lines.baud": "0",
    "serial_lines.parity": '""',
    "serial_lines.stop_bits": "-2",
    "serial_lines.data_bits": "9",
    "serial_lines.timeout_seconds": "0",
    "csv.path": '""',
    "csv.time_field": '""',
    "lines.delimiter": '""',
    "lines.fields": '["u\\n", "t"]',
    "lines.checksum": '"md5"',
    "lines.checksum_separator": '""',
    "lines.start": '"123456789"',
    "lines.encoding": '"utf-7"',
    "lines.pattern": "'(?P<t>'",
    "lines.pair_separator": '""',
    "lines.key_separator": '""',
    "channel.channel": '"watts"',
    "channel.bank": '"hose"',
    "channel.table": '"register"',
    "channel.address": "65536",
    "channel.type": '"int24"',
    "channel.order": '"AB"',
    "channel.scale_address": "-1",
    "channel.not_a_value": "[65536]",
    "channel.point": '"1A"',
    "channel.field": '"volts"',
    "channel.resolution": "0",
    "channel.scale": "0",
    "channel.offset": "1e7",
    "channel.unit": '"V"',
    "channel.sign": '"positive"',
    "channel.valid": "[600, -600]",
    "shunt.rated_amps": "0",
    "shunt.rated_millivolts": "-50",
    "accuracy.percent_of_reading": "101",
    "accuracy.percent_of_range": "-1",
    "accuracy.range": "0",
    "accuracy.offset": "-0.1",
    "accuracy.noise": "-0.1",
    "correction.since": "1970-01-01T00:00:00Z",
    "correction.scale": "0.0",
    "correction.offset": "-1e7",
    "correction.unit": '"mA"',
    "correction.sign": '""',
    "correction.valid": "[5, 5]",
    "correction.because": '"two\\nlines"',
    "correction_shunt.rated_amps": "-1",
    "correction_shunt.rated_millivolts": "0",
    "correction_accuracy.percent_of_reading": "1000",
    "time_series.url": '"ftp://server.example"',
    "time_series.org": '"two\\nlines"',
    "time_series.bucket": '""',
    "time_series.token_file": '""',
    "mail.server": '"two words"',
    "mail.port": "0",
    "mail.security": '"ssl"',
    "mail.user": '"two\\nlines"',
    "mail.password_file": '""',
    "mail.from": '"nobody"',
    "mail.ca_file": '""',
    "mail.timeout_seconds": "0",
    "keeper.name": '"a/b"',
    "keeper.mail": '"anna@"',
    "keeper.language": '"fr"',
    "keeper.units": '"kelvin"',
    "keeper.banks": '["horse"]',
    "keeper.least_priority": '"urgent"',
    "keeper.quiet": '["22:00", "22:00"]',
    "keeper.escalate_to": '"anna"',
    "keeper.escalate_after_hours": "0",
    "keeper.repeat_after_hours": "-1",
    "keeper.digest": '"monthly"',
    "keeper.digest_at": '"7:30"',
    "webhook.url": '"ftp://hooks.example.org"',
    "webhook.secret_file": '""',
    "webhook.least_priority": '"none"',
    "webhook.ca_file": '""',
    "webhook.timeout_seconds": "601",
    "heartbeat.at": '"24:00"',
    "heartbeat.to": '["carl"]',
    "web.listen": '"0.0.0"',
    "web.port": "65536",
    "web.address": '"ftp://hut.example.org"',
    "web.certificate_file": '""',
    "web.key_file": '""',
    "web.session_days": "0",
    "heartbeat.secret_file": '""',
}
ANY_VALUE_IS_IN_RANGE = {"lines.key_value", "time_series.verify_tls", "web.links_in_mails"}


def faults_of(folder: Path, lines: list[str]) -> list[SettingsFault]:
    path = folder / "site.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_settings(path)
    assert caught.value.faults
    return caught.value.faults


def with_line(mark: str, change: str | None) -> list[str]:
    number = LINE_OF[mark]
    middle = [] if change is None else [change]
    return [*FULL[: number - 1], *middle, *FULL[number:]]


def assert_named(faults: list[SettingsFault], line: int, key: str) -> SettingsFault:
    named = [fault for fault in faults if f"site.toml, line {line}," in fault.where and f'{key}"' in fault.where]
    assert named, f"no fault at line {line} with key {key} in:\n" + "\n".join(map(str, faults))
    return named[0]


def test_the_full_example_is_right(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text("\n".join(FULL), encoding="utf-8")

    settings = load_settings(path)

    assert len(settings.devices) == 8


def test_the_full_example_has_every_key() -> None:
    every = {
        f"{table}.{field.alias or name}"
        for table, model in TABLES.items()
        for name, field in model.model_fields.items()
        if not (table == "correction_accuracy" or name == "kind")
    }
    nested = {"device.connection", "device.channel", "channel.correction", "device.lines"}

    assert every - NOT_IN_FULL - nested - set(LINE_OF) == set()
    assert set(KEYS) == set(OUT_OF_RANGE) | ANY_VALUE_IS_IN_RANGE


@pytest.mark.parametrize("mark", KEYS)
def test_a_value_of_the_wrong_type_is_named(tmp_path: Path, mark: str) -> None:
    key, _, value = (part.strip() for part in FULL[LINE_OF[mark] - 1].partition("="))
    wrong = "12345" if value[0] in "\"'" else '"wrong"'

    faults = faults_of(tmp_path, with_line(mark, f"{key} = {wrong}"))

    fault = assert_named(faults, LINE_OF[mark], key)
    if not mark.startswith(SECRET):
        assert wrong.strip('"') in fault.found


@pytest.mark.parametrize("mark", KEYS)
@pytest.mark.parametrize("wrong", ["[[1]]", "{ a = 1 }", "2026-05-01", "nan"])
def test_a_value_of_an_odd_type_is_named(tmp_path: Path, mark: str, wrong: str) -> None:
    key = FULL[LINE_OF[mark] - 1].partition("=")[0].strip()

    assert_named(faults_of(tmp_path, with_line(mark, f"{key} = {wrong}")), LINE_OF[mark], key)


@pytest.mark.parametrize("mark", KEYS)
def test_a_misspelt_key_is_named_with_the_right_one(tmp_path: Path, mark: str) -> None:
    key, _, value = (part.strip() for part in FULL[LINE_OF[mark] - 1].partition("="))

    faults = faults_of(tmp_path, with_line(mark, f"{key}x = {MARK.sub('', value)}"))

    if mark != "device.connection.kind":  # without it, nobody can know what the keys of a connection are
        assert f'"{key}"' in assert_named(faults, LINE_OF[mark], f"{key}x").expected


def _is_required(table: type[Table], key: str) -> bool:
    return next(field for name, field in table.model_fields.items() if (field.alias or name) == key).is_required()


def _required() -> list[str]:
    required = [
        mark
        for mark in KEYS
        if (table := TABLES.get(mark.rpartition(".")[0])) and _is_required(table, mark.rpartition(".")[2])
    ]
    # A device on a serial port without its port, and places without an address, depend on the kind of device.
    needed = ["channel.table", "channel.address", "channel.type", "channel.point", "channel.field"]
    return [*required, "device.connection.kind", *needed]


@pytest.mark.parametrize("mark", _required())
def test_a_required_key_that_is_left_out_is_named_with_its_table(tmp_path: Path, mark: str) -> None:
    key = FULL[LINE_OF[mark] - 1].partition("=")[0].strip()
    header = max(number for number, text in enumerate(FULL, 1) if text.startswith("[") and number < LINE_OF[mark])

    fault = assert_named(faults_of(tmp_path, with_line(mark, None)), header, key)

    assert fault.found.startswith("nothing")


@pytest.mark.parametrize("mark", sorted(OUT_OF_RANGE))
def test_a_value_out_of_range_is_named(tmp_path: Path, mark: str) -> None:
    key = FULL[LINE_OF[mark] - 1].partition("=")[0].strip()

    assert_named(faults_of(tmp_path, with_line(mark, f"{key} = {OUT_OF_RANGE[mark]}")), LINE_OF[mark], key)


# Without the first [[device]], the file is not TOML any more.
@pytest.mark.parametrize("mark", [mark for mark in LINE_OF if mark not in KEYS and mark != "device"])
def test_a_misspelt_table_is_named(tmp_path: Path, mark: str) -> None:
    header = FULL[LINE_OF[mark] - 1].partition("#")[0].strip()
    closing = "]]" if header.endswith("]]") else "]"
    name = header.strip("[]").rpartition(".")[2]

    faults = faults_of(tmp_path, with_line(mark, f"{header.removesuffix(closing)}x{closing}"))

    assert any(f"line {LINE_OF[mark]}," in fault.where and f"{name}x" in fault.where for fault in faults), faults


@pytest.mark.parametrize("mark", ["site", "record", "bank", "device", "time_series"])
@pytest.mark.parametrize("wrong", ["5", '"x"', "[1, 2]", "[{}]", "{}", "[]", "true"])
def test_something_else_in_the_place_of_a_table_is_refused(tmp_path: Path, mark: str, wrong: str) -> None:
    others = [FULL[0], f"{mark} = {wrong}"]
    skipping = False
    for text in FULL[1:]:
        if text.startswith("["):
            skipping = text.strip("[] ").partition("]")[0].partition(".")[0] == mark
        if not skipping:
            others.append(text)
    harmless = {("record", "{}"), ("device", "[]")}
    if (mark, wrong) in harmless:
        (tmp_path / "site.toml").write_text("\n".join(others), encoding="utf-8")
        assert load_settings(tmp_path / "site.toml").site.name == "Test site"
    else:
        assert any("line 2," in fault.where for fault in faults_of(tmp_path, others))


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    lines = list(FULL)
    for mark, value in OUT_OF_RANGE.items():
        key = FULL[LINE_OF[mark] - 1].partition("=")[0].strip()
        lines[LINE_OF[mark] - 1] = f"{key} = {value}"

    faults = faults_of(tmp_path, lines)

    # Some faults hide others: a device whose kind is unknown cannot be checked further.
    assert len(faults) > 0.8 * len(OUT_OF_RANGE)
    assert len({fault.where for fault in faults}) == len(faults)
