"""The configuration file: what is accepted, and that every fault is named with key and value."""

import json
import re
import sys
from importlib.resources import files
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import yaml
from pydantic import Field, ValidationError

from daemon.errors import InputError
from daemon.settings import Settings, load_settings, settings_digest, settings_snapshot
from daemon.yaml_file import LARGEST_BYTES, fields_of
from drivers import registry
from drivers.clock import Clock
from drivers.errors import SourceUnavailable
from drivers.simulated import SimulatedOptions
from drivers.source import Block, RelativePath, Source, SourceInfo, SourceOptions


class BenchOptions(SourceOptions):
    """Options of a driver that exists only here."""

    sample_rate_hz: float = Field(gt=0, le=1e6)
    input_file: RelativePath | None = None


class BenchSource(Source):
    """A driver that is not wired to a circuit."""

    Options = BenchOptions
    is_hardware = False

    def __init__(self, options: SourceOptions, clock: Clock) -> None:
        self.options, self.clock = options, clock

    def open(self) -> SourceInfo:
        return SourceInfo(1.0, ("a",), 16, 1.0, 0.5, True, False)

    def read(self, timeout_s: float) -> Block | None:
        return None

    def close(self) -> None:
        pass


class WiredSource(BenchSource):
    """The same, but wired to a real circuit."""

    is_hardware = True


@pytest.fixture(autouse=True)
def bench_drivers(monkeypatch: pytest.MonkeyPatch) -> None:
    module = ModuleType("bench_driver")
    vars(module).update(BenchSource=BenchSource, WiredSource=WiredSource)
    monkeypatch.setitem(sys.modules, "bench_driver", module)
    monkeypatch.setitem(registry.DRIVERS, "bench", "bench_driver:BenchSource")
    monkeypatch.setitem(registry.DRIVERS, "wired", "bench_driver:WiredSource")
    monkeypatch.setitem(registry.DRIVERS, "absent", "no_such_library_here:Any")


ISOLATION = {
    "barrier": "transformer",
    "rating": "CAT III 300 V",
    "checked_by": "M. Muster",
    "checked_on": "2026-03-01",
}


def good() -> dict[str, Any]:
    return {
        "site": {"name": "Bench", "circuit": "Socket", "timezone": "Europe/Vienna"},
        "supply": {"nominal_v": 230, "frequency_hz": 50},
        "driver": {"name": "bench", "sample_rate_hz": 16000},
        "store": {"path": "events.db"},
    }


def changed(**sections: dict[str, Any]) -> dict[str, Any]:
    raw = good()
    for name, keys in sections.items():
        raw[name] = {**raw.get(name, {}), **keys}
    return raw


def load(folder: Path, raw: object) -> Settings:
    path = folder / "site.yaml"
    path.write_text(raw if isinstance(raw, str) else yaml.safe_dump(raw), encoding="utf-8")
    return load_settings(path)


def faults(folder: Path, raw: object) -> list[str]:
    with pytest.raises(InputError) as caught:
        load(folder, raw)
    lines = str(caught.value).splitlines()
    assert all(line.startswith(f"{folder / 'site.yaml'}: ") for line in lines)
    return [line.removeprefix(f"{folder / 'site.yaml'}: ") for line in lines]


def test_the_shortest_configuration_has_the_documented_defaults(tmp_path: Path) -> None:
    settings = load(tmp_path, good())
    assert settings.supply.profile == "iti-2000"
    assert settings.channels is None
    # The thresholds 90, 110, 5 and 2 % are those in common use with IEC 61000-4-30 and
    # EN 50160:2010 (from memory); the others are common practice, no source.
    assert settings.capture.model_dump() == {
        "dip_pct": 90,
        "swell_pct": 110,
        "interruption_pct": 5,
        "hysteresis_pct": 2,
        "distortion_pct": 5,
        "frequency_pct": 1,
        "transient_pct": 20,
        "rapid_change_pct": None,
        "flicker_pst": 1,
        "unbalance_pct": 2,  # the limit of EN 50160 (from memory)
        "neutral_earth_v": None,
    }
    assert settings.supply.wiring == "single_phase"
    assert settings.store.keep_mb == 500
    assert (settings.page.bind, settings.page.port) == ("127.0.0.1", 8230)
    assert settings.page.enabled
    assert settings.page.token is None


def test_the_driver_gets_its_own_options(tmp_path: Path) -> None:
    settings = load(tmp_path, changed(driver={"input_file": "rec/a.wav"}))
    assert isinstance(settings.driver, BenchOptions)
    assert settings.driver.sample_rate_hz == 16000
    assert settings.driver.input_file == tmp_path / "rec" / "a.wav"


def test_a_relative_path_is_relative_to_the_configuration(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    raw = changed(supply={"profile": "own.yaml"})
    (tmp_path / "site.yaml").write_text(yaml.safe_dump(raw))
    monkeypatch.chdir(tmp_path.parent)
    settings = load_settings(Path(tmp_path.name) / "site.yaml")
    assert settings.store.path == tmp_path / "events.db"
    assert settings.supply.profile == str(tmp_path / "own.yaml")


def test_an_absolute_path_stays(tmp_path: Path) -> None:
    settings = load(tmp_path, changed(store={"path": "/var/lib/halfcycle/events.db"}))
    assert settings.store.path == Path("/var/lib/halfcycle/events.db")


BAD_VALUES = [
    ({"site": {"name": ""}}, "site.name", "''"),
    ({"site": {"name": 7}}, "site.name", "7"),
    ({"site": {"name": "a\x1b[31m"}}, "site.name", "x1b"),
    ({"site": {"circuit": "x" * 201}}, "site.circuit", "xxx"),
    ({"site": {"timezone": "Europe/Wien"}}, "site.timezone", "Europe/Wien"),
    ({"site": {"timezone": "../../etc/passwd"}}, "site.timezone", "passwd"),
    ({"site": {"timezone": ""}}, "site.timezone", "''"),
    ({"site": {"isolation": {**ISOLATION, "checked_on": "soon"}}}, "checked_on", "soon"),
    ({"site": {"isolation": {"barrier": "x"}}}, "site.isolation.rating", "missing"),
    ({"supply": {"nominal_v": 0}}, "supply.nominal_v", "0"),
    ({"supply": {"nominal_v": -230}}, "supply.nominal_v", "-230"),
    ({"supply": {"nominal_v": 100_001}}, "supply.nominal_v", "100001"),
    ({"supply": {"nominal_v": True}}, "supply.nominal_v", "true"),
    ({"supply": {"nominal_v": float("inf")}}, "supply.nominal_v", "inf"),
    ({"supply": {"nominal_v": float("nan")}}, "supply.nominal_v", "nan"),
    ({"supply": {"nominal_v": "230 V"}}, "supply.nominal_v", "230 V"),
    ({"supply": {"nominal_v": 10**400}}, "supply.nominal_v", "digits"),
    ({"supply": {"nominal_v": None}}, "supply.nominal_v", "null"),
    ({"supply": {"frequency_hz": 55}}, "supply.frequency_hz", "55"),
    ({"supply": {"frequency_hz": "fifty"}}, "supply.frequency_hz", "fifty"),
    ({"supply": {"profile": 3}}, "supply.profile", "3"),
    ({"driver": {"name": "benhc"}}, "driver.name", "benhc"),
    ({"driver": {"name": None}}, "driver.name", "null"),
    ({"driver": {"name": ["bench"]}}, "driver.name", "a list"),
    ({"driver": {"sample_rate_hz": 0}}, "driver.sample_rate_hz", "0"),
    ({"driver": {"sample_rate": 1}}, "driver.sample_rate", "1"),
    ({"driver": {"input_file": "~nobody-of-this-name/x"}}, "driver.input_file", "~nobody"),
    ({"driver": {"name": "wired"}}, "site.isolation", "wired"),
    ({"capture": {"dip_pct": 9}}, "capture.dip_pct", "9"),
    ({"capture": {"dip_pct": 100}}, "capture.dip_pct", "100"),
    ({"capture": {"dip_pct": 98}}, "dip_pct", "98"),
    ({"capture": {"swell_pct": 100}}, "capture.swell_pct", "100"),
    ({"capture": {"swell_pct": 201}}, "capture.swell_pct", "201"),
    ({"capture": {"swell_pct": 102}}, "swell_pct", "102"),
    ({"capture": {"interruption_pct": -1}}, "capture.interruption_pct", "-1"),
    ({"capture": {"interruption_pct": 88}}, "interruption_pct", "88"),
    ({"capture": {"hysteresis_pct": 10.5}}, "capture.hysteresis_pct", "10.5"),
    ({"capture": {"hysteresis_pct": 10}}, "capture.hysteresis_pct", "10"),
    ({"capture": {"distortion_pct": 2.9}}, "capture.distortion_pct", "2.9"),
    ({"capture": {"frequency_pct": 0}}, "capture.frequency_pct", "0"),
    ({"capture": {"transient_pct": "off"}}, "capture.transient_pct", "off"),
    ({"capture": {"rapid_change_pct": 0}}, "capture.rapid_change_pct", "0"),
    ({"capture": {"flicker_pst": 0.1}}, "capture.flicker_pst", "0.1"),
    ({"capture": {"unbalance_pct": 0}}, "capture.unbalance_pct", "0"),
    ({"capture": {"neutral_earth_v": 0}}, "capture.neutral_earth_v", "0"),
    ({"supply": {"wiring": "delta"}}, "supply.wiring", "delta"),
    ({"store": {"path": 3}}, "store.path", "3"),
    ({"store": {"path": ""}}, "store.path", "folder"),
    ({"store": {"path": "a\0b"}}, "store.path", "x00"),
    ({"store": {"keep_mb": 9}}, "store.keep_mb", "9"),
    ({"store": {"keep_mb": 10.5}}, "store.keep_mb", "10.5"),
    ({"page": {"port": -1}}, "page.port", "-1"),
    ({"page": {"port": 65536}}, "page.port", "65536"),
    ({"page": {"bind": "everywhere"}}, "page.bind", "everywhere"),
    ({"page": {"bind": "0.0.0.0"}}, "page.bind", "0.0.0.0"),
    ({"page": {"bind": "::"}}, "page.bind", "::"),
    ({"page": {"enabled": "maybe"}}, "page.enabled", "maybe"),
]


@pytest.mark.parametrize(("sections", "key", "value"), BAD_VALUES)
def test_one_bad_value_gives_one_line_naming_key_and_value(
    tmp_path: Path, sections: dict[str, dict[str, Any]], key: str, value: str
) -> None:
    lines = [line for line in faults(tmp_path, changed(**sections)) if key in line]
    assert len(lines) == 1
    assert value in lines[0]


@pytest.mark.parametrize("section", ["site", "supply", "driver", "store"])
@pytest.mark.parametrize("value", [None, 3, "text", [1]])
def test_a_section_that_is_no_table(tmp_path: Path, section: str, value: object) -> None:
    (line,) = faults(tmp_path, {**good(), section: value})
    assert line.startswith(f"{section}: ")
    assert line.endswith("must be a table of keys and values")


@pytest.mark.parametrize("section", ["", "site", "supply", "driver", "store", "capture", "page"])
def test_an_unknown_key_is_named_with_the_known_ones(tmp_path: Path, section: str) -> None:
    raw = changed(**{section: {"nmae": 3}}) if section else {**good(), "nmae": 3}
    (line,) = faults(tmp_path, raw)
    assert line.startswith(f"{section}.nmae: unknown key (its value is 3)".removeprefix("."))
    known = {"": "site", "site": "circuit", "supply": "nominal_v", "driver": "sample_rate_hz",
             "store": "keep_mb", "capture": "dip_pct", "page": "bind"}  # fmt: skip
    assert known[section] in line.partition("known here: ")[2].split(", ")


@pytest.mark.parametrize("key", ["site", "supply", "driver", "store"])
def test_a_missing_section(tmp_path: Path, key: str) -> None:
    raw = good()
    del raw[key]
    assert faults(tmp_path, raw) == [f"{key}: missing; this key is required"]


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    raw = changed(
        site={"timezone": "Nowhere", "nick": "x"},
        supply={"nominal_v": 5, "frequency_hz": 40},
        driver={"name": "wired", "sample_rate_hz": -1, "gain": 2},
        capture={"dip_pct": 99, "frequency_pct": -1},
        page={"bind": "192.0.2.1", "port": 99999},
    )
    raw["channels"] = [{"name": "L1", "input": -1}]
    keys = {line.partition(": ")[0] for line in faults(tmp_path, raw)}
    assert keys == {
        "site.timezone", "site.nick", "supply.nominal_v", "supply.frequency_hz",
        "driver.sample_rate_hz", "driver.gain", "capture.hysteresis_pct", "capture.frequency_pct",
        "page.bind", "page.port", "channels[0].input",
    }  # fmt: skip


def test_missing_isolation_is_told_together_with_the_drivers_own_faults(tmp_path: Path) -> None:
    lines = faults(tmp_path, changed(driver={"name": "wired", "sample_rate_hz": 0}))
    assert [line.partition(": ")[0] for line in lines] == [
        "site.isolation",
        "driver.sample_rate_hz",
    ]


def test_a_wired_driver_with_its_isolation_stated(tmp_path: Path) -> None:
    raw = changed(driver={"name": "wired"}, site={"isolation": ISOLATION})
    isolation = load(tmp_path, raw).site.isolation
    assert isolation is not None
    assert isolation.checked_on.isoformat() == "2026-03-01"


def test_a_drivers_missing_library_is_not_the_files_fault(tmp_path: Path) -> None:
    with pytest.raises(SourceUnavailable, match="absent"):
        load(tmp_path, changed(driver={"name": "absent"}))


@pytest.mark.parametrize(
    ("channels", "key", "value"),
    [
        ([], "channels", "empty"),
        ({}, "channels", "a table"),
        ([{"name": "L1"}], "channels[0].input", "missing"),
        ([{"name": "L1", "input": 0.5}], "channels[0].input", "0.5"),
        ([{"name": "L1", "input": True}], "channels[0].input", "true"),
        ([{"name": "L1", "input": 0, "gain_v_per_v": 0}], "channels[0].gain_v_per_v", "0"),
        ([{"name": "L1", "input": 0, "gain": 2}], "channels[0].gain", "2"),
        ([{"name": "L1", "input": 0, "offset_v": "x"}], "channels[0].offset_v", "x"),
        ([{"name": "L1", "input": 0, "kind": "neutral"}], "channels[0].kind", "neutral"),
        ([{"name": "N", "input": 0, "kind": "neutral_to_earth"}], "channels", "of kind line"),
        ([{"name": "L1", "input": 0}, {"name": "L1", "input": 1}], "channels.name", "L1"),
        ([{"name": "L1", "input": 4}, {"name": "L2", "input": 4}], "channels.input", "4"),
    ],
)
def test_bad_channels(tmp_path: Path, channels: object, key: str, value: str) -> None:
    (line,) = faults(tmp_path, {**good(), "channels": channels})
    assert line.startswith(f"{key}: ")
    assert value in line


def test_good_channels(tmp_path: Path) -> None:
    raw = {**good(), "channels": [{"name": "L1", "input": 2, "gain_v_per_v": -200.5}]}
    channels = load(tmp_path, raw).channels
    assert channels is not None
    assert (channels[0].input, channels[0].gain_v_per_v, channels[0].offset_v) == (2, -200.5, 0.0)
    assert channels[0].kind == "line"


def test_what_may_be_switched_off_may_be_null(tmp_path: Path) -> None:
    off = {"distortion_pct": None, "frequency_pct": None, "transient_pct": None}
    capture = load(tmp_path, changed(capture=off)).capture
    assert (capture.distortion_pct, capture.frequency_pct, capture.transient_pct) == (None,) * 3


@pytest.mark.parametrize("bind", ["127.0.0.1", "127.1.2.3", "::1", "localhost"])
def test_loopback_needs_no_token(tmp_path: Path, bind: str) -> None:
    assert load(tmp_path, changed(page={"bind": bind})).page.is_loopback


@pytest.mark.parametrize("extra", [{"token": "bench-token"}, {"i_understand": True}])
def test_a_page_on_the_network_is_either_guarded_or_meant(
    tmp_path: Path, extra: dict[str, Any]
) -> None:
    assert not load(tmp_path, changed(page={"bind": "0.0.0.0", **extra})).page.is_loopback


@pytest.mark.parametrize("token", ["two words", 12345678, "", "naïve", "line\nbreak"])
def test_a_bad_token_is_refused_but_never_repeated(tmp_path: Path, token: object) -> None:
    (line,) = faults(tmp_path, changed(page={"bind": "127.0.0.1", "token": token}))
    assert line.startswith("page.token: (not shown)")
    assert not token or str(token) not in line


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "the file is empty"),
        ("# only a comment\n", "the file is empty"),
        ("- a\n- b\n", "not a list"),
        ("just text\n", "'just text'"),
        ("site: {name: x\nsupply: 3\n", "line 2, column 7: "),
        ("site:\n\tname: x\n", "line 2, column 1: "),
        ("site: &x {name: a}\nsupply: *x\n", "line 2, column 9: aliases"),
        ("site: !!python/object/apply:os.system [ls]\n", "line 1, column 7: tags"),
        ("site: !include other.yaml\n", "line 1, column 7: tags"),
        ("a: 1\nb: 2\na: 3\n", "line 3, column 1: the key a is given twice"),
        ("site:\n  name: a\n  name: b\n", "line 3, column 3: the key name is given twice"),
        ("a: 1\n---\nb: 2\n", "line 2, column 1: "),
        ("1: a\n", "line 1, column 1: a key must be a word"),
        ("<<: {a: 1}\n", "line 1, column 1: a key must be a word"),
        ("? [a]\n: b\n", "line 1, column 3: a key must be a word"),
        ("a: 2026-13-45\n", "line 1, column 4: month"),
        ("a: " + "9" * 5000, "line 1, column 4: "),
        ("a: " + "[" * 3000, "line 1, column 15: nested deeper"),
        ("a: b\nc: \x07\n", "line 2, column 4: character"),
    ],
)
def test_broken_yaml_is_told_in_one_line_with_its_place(
    tmp_path: Path, text: str, told: str
) -> None:
    (line,) = faults(tmp_path, text)
    assert told in line


def test_a_doubling_chain_of_aliases_is_refused_at_once(tmp_path: Path) -> None:
    rows = ["a0: &a0 [x, x]"] + [f"a{i}: &a{i} [*a{i - 1}, *a{i - 1}]" for i in range(1, 40)]
    (line,) = faults(tmp_path, "\n".join(rows))
    assert "line 2, column 10: aliases" in line


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    for path, told in (
        (tmp_path / "none.yaml", "No such file"),
        (tmp_path, "directory"),
        (Path(f"{tmp_path}/a\0b"), "null byte"),
    ):
        with pytest.raises(InputError) as caught:
            load_settings(path)
        assert str(caught.value).startswith(f"{path}: cannot be read: ")
        assert told in str(caught.value)


def test_a_file_that_is_not_utf8(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_bytes(b"site:\n  name: caf\xe9\n")
    with pytest.raises(InputError, match=re.escape(f"{path}: line 2: not UTF-8 text")):
        load_settings(path)


def test_a_huge_file_is_refused(tmp_path: Path) -> None:
    (line,) = faults(tmp_path, "#" * (LARGEST_BYTES + 1))
    assert "larger than 256 KiB" in line


def test_many_faults_do_not_fill_the_screen(tmp_path: Path) -> None:
    lines = faults(tmp_path, {**good(), **{f"key{i:03}": 1 for i in range(200)}})
    assert len(lines) == 51
    assert lines[-1] == "and 150 more faults"


def test_a_byte_order_mark_is_harmless(tmp_path: Path) -> None:
    settings = load(tmp_path, "\ufeff" + yaml.safe_dump(good()))
    assert settings.site.name == "Bench"


def test_settings_are_fixed_once_read(tmp_path: Path) -> None:
    settings = load(tmp_path, good())
    with pytest.raises(ValidationError):
        settings.supply.nominal_v = 120


def test_the_snapshot_holds_the_drivers_options_but_not_the_token(tmp_path: Path) -> None:
    raw = changed(page={"token": "bench-token"}, driver={"input_file": "a.wav"})
    settings = load(tmp_path, raw)
    text = settings_snapshot(settings)
    assert "bench-token" not in text + repr(settings)
    content = json.loads(text)
    assert content["driver"] == {
        "name": "bench", "sample_rate_hz": 16000, "input_file": str(tmp_path / "a.wav"),
    }  # fmt: skip
    assert content["supply"]["nominal_v"] == 230
    assert list(content) == sorted(content)


def test_the_digest_changes_with_the_settings_and_with_nothing_else(tmp_path: Path) -> None:
    def digest(raw: dict[str, Any]) -> str:
        return settings_digest(settings_snapshot(load(tmp_path, raw)))

    first = digest(good())
    assert re.fullmatch("[0-9a-f]{64}", first)
    assert digest(dict(reversed(good().items()))) == first
    assert digest(changed(page={"token": "bench-token"})) == first
    assert digest(changed(supply={"nominal_v": 231})) != first


def test_sha256_of_a_known_text() -> None:
    # FIPS 180-4 example: SHA-256 of "abc".
    assert settings_digest("abc") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


@pytest.mark.parametrize("name", ["demo.yaml", "site.example.yaml"])
def test_the_shipped_configurations_load(name: str) -> None:
    settings = load_settings(Path(str(files("config").joinpath(name))))
    assert isinstance(settings.driver, SimulatedOptions)
    assert settings.supply.profile == "iti-2000"
    assert settings.page.is_loopback


def test_the_demonstration_names_a_scenario_that_is_there() -> None:
    settings = load_settings(Path(str(files("config").joinpath("demo.yaml"))))
    assert isinstance(settings.driver, SimulatedOptions)
    assert settings.driver.scenario.is_file()


def test_every_key_is_in_the_example() -> None:
    text = files("config").joinpath("site.example.yaml").read_text(encoding="utf-8")
    keys = [*fields_of(Settings), *fields_of(SimulatedOptions)]
    assert len(keys) > 40  # the sections are all there, not only the top
    for key in keys:
        word = key.rpartition(".")[2]
        assert re.search(rf"^[ #-]*{word}:", text, re.MULTILINE), f"{key} is not explained"
