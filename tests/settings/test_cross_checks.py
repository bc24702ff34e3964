"""Sets of settings that cannot be true at once are refused, with both places named."""

from __future__ import annotations

from pathlib import Path

import pytest

from loggerd.errors import SettingsError
from loggerd.settings.load import load_settings

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
[[bank]]
name = "spare"
type = "agm"
strings = 1
blocks_per_string = 2
cells_per_block = 6
rated_amp_hours = 100
rated_hours = 20
"""


def register(channel: str, address: int = 0, more: str = 'unit = "A"', type_: str = "int16") -> str:
    return (
        f'[[device.channel]]\nchannel = "{channel}"\ntable = "holding"\naddress = {address}\ntype = "{type_}"\n{more}\n'
    )


def tcp(*channels: str, name: str = "one", host: str = "10.0.0.1", bank: str = "house", device_id: int = 1) -> str:
    head = f'[[device]]\nname = "{name}"\nbank = "{bank}"\n[device.connection]\nkind = "modbus_tcp"\n'
    return f'{head}host = "{host}"\ndevice_id = {device_id}\n' + "".join(channels)


def serial(kind: str, place: str, name: str, channel: str = "amps", more: str = "") -> str:
    head = f'[[device]]\nname = "{name}"\nbank = "house"\n[device.connection]\nkind = "{kind}"\nport = "/dev/ttyS0"\n'
    unit = "A" if "amps" in channel else "V"
    return f'{head}{more}[[device.channel]]\nchannel = "{channel}"\nunit = "{unit}"\n{place}\n'


HOLDING = 'table = "holding"\naddress = 0\ntype = "int16"'


def refusals(folder: Path, text: str) -> list[str]:
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    try:
        load_settings(path)
    except SettingsError as error:
        return [str(fault).replace(f"{folder}/", "") for fault in error.faults]
    return []


V = 'unit = "V"'
SHUNT = "shunt = { rated_amps = 500, rated_millivolts = 50 }"


def correction(text: str, since: str = "2026-05-01T00:00:00Z") -> str:
    return f"[[device.channel.correction]]\nsince = {since}\n{text}"


@pytest.mark.parametrize(
    "text",
    [
        tcp(register("amps", 0), register("volts", 1, V)),
        tcp(register("string_2_amps", 0), register("block_8_volts", 1, V)),
        tcp(register("amps", 0, type_="int32"), register("volts", 2, V)),
        tcp(register("amps", 0)) + tcp(register("volts", 0, V), name="two", device_id=2),
        tcp(register("amps", 0)) + tcp(register("volts", 0, V), name="two", host="10.0.0.2"),
        tcp(register("amps", 0), register("volts", 0, V).replace("holding", "input")),
        tcp(register("amps", 65534, type_="int32")),
        tcp(register("amps", 0, 'unit = "mV"\n' + SHUNT)),
        tcp(
            register("amps", 0, 'unit = "mA"'),
            register("net_amp_hours", 2, 'unit = "mAh"\nsign = "discharge_positive"'),
        ),
        tcp(
            register("ambient_celsius", 0, 'unit = "K"'),
            register("ambient_celsius", 0, 'unit = "K"\nbank = "spare"'),
        ),
        tcp('[[device.channel]]\nchannel = "volts"\ntable = "coil"\naddress = 0\nunit = "V"\n'),
        serial("modbus_rtu", HOLDING, "one", more="baud = 19200\n")
        + serial("modbus_rtu", HOLDING, "two", "volts", more="baud = 19200\ndevice_id = 2\n"),
        serial("modbus_rtu", HOLDING, "one", more='parity = "N"\n')
        + serial("sunspec", 'point = "V"', "two", "volts", more="device_id = 2\n"),
        tcp(
            register(
                "amps", 0, 'unit = "A"\n' + correction("offset = 1\n") + correction("scale = 2", "2026-06-01T00:00:00Z")
            )
        ),
    ],
)
def test_sets_that_can_be_true_are_accepted(tmp_path: Path, text: str) -> None:
    assert refusals(tmp_path, SITE + text) == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        # banks
        (SITE.replace("rated_hours = 20\n[[bank]]", "rated_hours = 20\nrated_volts = 24\n[[bank]]"), ["line 12", "48"]),
        (SITE.replace('"spare"', '"House"'), ["line 13", "second time", 'see site.toml, line 5, [[bank]] "house"']),
        (
            SITE.replace("strings = 2", "strings = 32").replace("blocks_per_string = 4", "blocks_per_string = 40"),
            ["999"],
        ),
        (SITE.replace("blocks_per_string = 4", "blocks_per_string = 100"), ["line 8", "1200 V"]),
        # which channel is fed
        (SITE + tcp(register("amps"), bank="huse"), ["line 22", 'did you mean "house"']),
        (SITE + tcp(register("amps")).replace('bank = "house"\n', ""), ['channel "amps" key "bank"', "found nothing"]),
        (SITE + tcp(register("amps", 0, 'unit = "A"\nbank = "x"')), ["line 33", 'key "bank"', '"house", "spare"']),
        (SITE + tcp(register("string_3_amps")), ["string number from 1 to 2"]),
        (SITE + tcp(register("block_9_volts", 0, V)), ["block number from 1 to 8"]),
        (SITE + tcp(register("amps", 0), register("amps", 1)), ["line 34", "second time", "see site.toml, line 27"]),
        (
            SITE + tcp(register("amps", 0)) + tcp(register("amps", 0), name="two", device_id=2),
            ['[[device]] "two" channel "amps"', 'see site.toml, line 27, [[device]] "one"'],
        ),
        # places
        (SITE + tcp(register("amps", 0), register("volts", 0, V)), ['channel "volts" key "address"', 'channel "amps"']),
        (SITE + tcp(register("amps", 4, type_="int32"), register("volts", 5, V)), ["another channel is read already"]),
        (SITE + tcp(register("amps", 4), register("volts", 1, V, "float64")), ["another channel is read already"]),
        (
            SITE + tcp(register("amps", 4)) + tcp(register("volts", 4, V), name="two"),
            ['[[device]] "two" channel "volts" key "address"', '[[device]] "one" channel "amps"'],
        ),
        (SITE + tcp(register("amps", 65535, type_="int32")), ['key "address"', "65535"]),
        (SITE + tcp(register("amps", 4, 'unit = "A"\nscale_address = 5', "int32")), ['key "scale_address"']),
        (SITE + tcp(register("amps", 4, 'unit = "A"\nresolution = 0.1')), ['key "resolution"', "use scale"]),
        (SITE + tcp(register("amps", 4, 'unit = "A"\nnot_a_value = [-1]', "uint16")), ['key "not_a_value"', "16 bits"]),
        (SITE + tcp(register("amps", 4, 'unit = "A"\nnot_a_value = [0]', "float32")), ['key "not_a_value"', "floats"]),
        (SITE + tcp(register("amps", 4, 'unit = "A"\npoint = "A"')), ['key "point"', "no such key"]),
        (SITE + tcp(register("amps").replace('table = "holding"', 'table = "coil"')), ['key "type"', "no such key"]),
        (SITE + serial("sunspec", HOLDING, "one"), ['key "point"', "found nothing"]),
        (
            SITE
            + tcp('[[device.channel]]\nchannel = "amps"\nunit = "A"\npoint = "A"\n').replace("modbus_tcp", "sunspec")
            + tcp('[[device.channel]]\nchannel = "volts"\nunit = "V"\npoint = "A"\n', name="two").replace(
                "modbus_tcp", "sunspec"
            ),
            ['key "point"', "another channel is read already"],
        ),
        # lines
        (
            SITE
            + serial("modbus_rtu", HOLDING, "one")
            + serial("modbus_rtu", HOLDING, "two", "volts", more="baud = 19200\ndevice_id = 2\n"),
            ['[[device]] "two" connection key "baud"', "found 19200", "expected 9600", '[[device]] "one"'],
        ),
        (
            SITE
            + serial("modbus_rtu", HOLDING, "one")
            + serial("sunspec", 'point = "V"', "two", "volts", more="device_id = 2\n"),
            ['connection key "parity"', '"N"', '"E"'],
        ),
        (
            SITE
            + serial("modbus_rtu", HOLDING, "one")
            + serial("serial_lines", 'field = "x"', "two", "volts").replace("ttyS0", "./ttyS0"),
            ['[[device]] "two" connection key "port"', "prints lines"],
        ),
        (
            SITE + tcp(register("amps")) + tcp(register("volts", 9, V), name="ONE"),
            ["line 34", "for a second time", "see site.toml, line 21"],
        ),
        (
            SITE + serial("modbus_rtu", HOLDING, "one", more="timeout_seconds = 2\nquiet_seconds = 1\n"),
            ["no less than"],
        ),
        (SITE + serial("serial_lines", 'field = "x"', "one"), ['key "lines"', "found nothing"]),
        (SITE + tcp(register("amps"), "[device.lines]\nkey_value = true\n"), ['key "lines"', "only devices of kind"]),
        (
            SITE + serial("serial_lines", 'field = "amp"\n[device.lines]\npattern = "(?P<amps>.*)"', "one"),
            ['channel "amps" key "field"', 'did you mean "amps"'],
        ),
        (
            SITE + serial("serial_lines", 'field = "x"\n[device.lines]\npattern = "(?P<x>.*"', "one"),
            ['lines key "pattern"', "not a regular expression"],
        ),
        (
            SITE + serial("serial_lines", 'field = "x"\n[device.lines]\npattern = "(?P<x>[[a]*)"', "one"),
            ['lines key "pattern"', "nested set"],
        ),
        (
            SITE + serial("serial_lines", 'field = "x"\n[device.lines]\ndelimiter = ";"\nfields = ["x", "x"]', "one"),
            ['key "lines"', "same name"],
        ),
        (
            SITE + serial("serial_lines", 'field = "x"\n[device.lines]\ndelimiter = ";"\nkey_value = true', "one"),
            ['key "lines"', "exactly one"],
        ),
        # what numbers mean
        (SITE + tcp(register("block_1_volts", 0, 'unit = "A"')), ['key "unit"', "V, mV"]),
        (SITE + tcp(register("amps", 0, 'unit = "mV"')), ['key "unit"', "mV with a shunt"]),
        (SITE + tcp(register("amps", 0, 'unit = "A"\n' + SHUNT)), ['key "unit"', "mV, because the shunt"]),
        (SITE + tcp(register("volts", 0, 'unit = "mV"\n' + SHUNT)), ['key "shunt"', "amps"]),
        (SITE + tcp(register("volts", 0, V + '\nsign = "discharge_positive"')), ['key "sign"', "no sign"]),
        (
            SITE + tcp(register("discharged_amp_hours", 0, 'unit = "Ah"\nsign = "discharge_positive"')),
            ['key "sign"', "no sign"],
        ),
        (SITE + tcp(register("volts", 0, V + "\nvalid = [3, 3]")), ['key "valid"', "low below high"]),
        (SITE + tcp(register("volts", 0, V + "\nvalid = [3, 3.0001]")), ['key "valid"', "low below high"]),
        (
            SITE + tcp(register("amps", 0, 'unit = "A"\naccuracy = { percent_of_range = 1 }')),
            ['key "accuracy.range"', "found nothing"],
        ),
        # corrections
        (
            SITE + tcp(register("amps", 0, 'unit = "A"\n' + correction("scale = 1", "2026-05-01T00:00:00"))),
            ["correction number 1", 'key "since"', "without a time zone"],
        ),
        (SITE + tcp(register("amps", 0, 'unit = "A"\n' + correction("scale = 1", "2026-05-01"))), ['key "since"']),
        (
            SITE + tcp(register("amps", 0, 'unit = "A"\n' + correction("scale = 1\n") + correction("scale = 2"))),
            ["correction number 2", 'key "since"', "later than"],
        ),
        (
            SITE + tcp(register("amps", 0, 'unit = "A"\n' + correction('because = "no reason"'))),
            ["correction number 1", "changes nothing"],
        ),
        (SITE + tcp(register("amps", 0, 'unit = "A"\n' + correction('unit = "V"'))), ["correction number 1", "unit"]),
        (SITE + tcp(register("amps", 0, 'unit = "A"\n' + correction(SHUNT))), ["correction number 1", "unit"]),
        # maps
        (SITE + tcp(register("amps")).replace("[device.conn", 'leave_out = ["amps"]\n[device.conn'), ["beside a map"]),
    ],
)
def test_sets_that_cannot_be_true_are_refused(tmp_path: Path, text: str, words: list[str]) -> None:
    found = refusals(tmp_path, text)

    assert any(all(word in fault for word in words) for fault in found), found


def test_faulty_parts_do_not_hide_contradictions_elsewhere(tmp_path: Path) -> None:
    text = SITE.replace("rated_hours = 20\n[[bank]]", "rated_hours = 20\nrated_volts = 24\n[[bank]]")
    text += tcp(register("amps", 0, "unit = 5"), register("block_99_volts", 0, V), register("volts", 0, V))
    text += '[[device]]\nname = "broken"\n'

    found = refusals(tmp_path, text)

    assert len([fault for fault in found if '"broken"' in fault]) == 2
    assert any("rated_volts" in fault for fault in found)
    assert any("block number from 1 to 8" in fault for fault in found)
    assert any("another channel is read already" in fault for fault in found)
    assert any('channel "amps" key "unit"' in fault for fault in found)
