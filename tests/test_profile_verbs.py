"""Writing, drawing, marking and suggesting profiles, as a person at a terminal does it."""

import struct
import sys
from collections.abc import Sequence
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from daemon.judge import judge
from daemon.profiles import builtin_profiles, find_profile, load_profile
from daemon.records import Kind, Verdict
from daemon.staircase import EventFacts
from daemon.tolerance import ClassificationProfile, ImmunityProfile, Limits, SupplyProfile
from tests.whole_material import wav_driver, write_config
from tools.cli import main
from tools.profile_chart import frequency_of, nominal_of, profile_chart

BUILT_IN = {profile.id: profile for profile in builtin_profiles()}
NEW = ["new", "--id", "press", "--source", "manual, p. 3"]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The user's own profiles; the built-in ones are read once, for the sake of time."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    for module in ("profiles", "profile_new", "profile_suggest"):
        monkeypatch.setattr(f"tools.{module}.builtin_profiles", lambda: list(BUILT_IN.values()))
    return tmp_path / "halfcycle" / "profiles"


def profiles(*words: object, answers: str | None = None) -> Result:
    runner = CliRunner(env={"COLUMNS": "80"})
    return runner.invoke(main, ["profiles", *map(str, words)], input=answers)


# --- new ------------------------------------------------------------------------------------------


def test_a_profile_from_options(folder: Path) -> None:
    limits = ["--under", "0:10ms", "--under", "70 %: 0.5 s", "--under", "85%"]
    limits += ["--over", "115:2cycles", "--over", "110%", "--peak", "200%:1ms"]
    result = profiles(*NEW, "--nominal", "230", "--hz", "50", *limits)
    assert (result.exit_code, result.stderr) == (0, "")
    path = folder / "press.yaml"
    assert str(path) in result.stdout
    profile = load_profile(path)
    assert isinstance(profile, ImmunityProfile)
    assert [(step.level, step.at_most_s) for step in profile.under] == [
        ((0, "%"), 0.01),
        ((70, "%"), 0.5),
        ((85, "%"), None),
    ]
    assert [(step.level, step.at_most_cycles) for step in profile.over] == [
        ((115, "%"), 2),
        ((110, "%"), None),
    ]
    assert [(point.up_to_pct, point.at_most_s) for point in profile.peak] == [(200, 0.001)]
    assert (profile.applies_to.nominal_v, profile.applies_to.frequency_hz) == ((230,), (50,))
    assert path.read_text(encoding="utf-8").count("#") >= 5  # it is commented
    assert find_profile("press", folder) == profile
    assert profiles("show", "press").exit_code == 0
    assert profiles("check", path).exit_code == 0


def test_a_profile_from_answers(folder: Path) -> None:
    answers = "press\nThe press\nmanual, p. 3\n23O\n230\n55\n50\n70:0.5s; 90\n70:0.5s, 90\n\n"
    result = profiles("new", answers=answers)
    assert result.exit_code == 0
    for wrong in ("'23O' is no number", "give 50, 60 or nothing", "is no step; give LEVEL:TIME"):
        assert wrong in result.stderr  # each asked again
    profile = load_profile(folder / "press.yaml")
    assert isinstance(profile, ImmunityProfile)
    assert (profile.title, profile.source) == ("The press", "manual, p. 3")
    assert [step.down_to_pct for step in profile.under] == [70, 90]
    assert profile.over == ()


def test_a_supply_contract_in_volts(tmp_path: Path) -> None:
    file = tmp_path / "contract.yaml"
    words = ["--kind", "supply", "--nominal", "230", "--under", "207V", "--over", "244 v"]
    result = profiles(*NEW, *words, "-o", file)
    assert result.exit_code == 0
    profile = load_profile(file)
    assert isinstance(profile, SupplyProfile)
    assert (profile.under[0].level, profile.over[0].level) == ((207, "V"), (244, "V"))
    assert profile.averaging is not None
    assert profile.averaging.share_pct == 95


def test_what_people_type_stays_text(folder: Path) -> None:
    odd = 'x: {"y": #1} \\ !tag \'\N{SNOWMAN}'
    assert profiles("new", "--id", "odd", "--source", odd, "--under", "90").exit_code == 0
    assert load_profile(folder / "odd.yaml").source == odd


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([*NEW, "--under", "85%:1s"], "under: a list is not allowed; the step nearest to 100 %"),
        ([*NEW, "--over", "90"], "over[0].up_to_pct: 90 is not allowed"),
        ([*NEW, "--under", "-5"], "'-5' is no step"),
        ([*NEW, "--under", "90:5weeks"], "'90:5weeks' is no step"),
        ([*NEW, "--under", "200V"], "levels in V need applies_to.nominal_v"),
        ([*NEW, "--under", "90", "--nominal", "nan"], "applies_to.nominal_v[0]"),
        (["new", "--id", "../x", "--source", "s", "--under", "90"], "id: '../x' is not allowed"),
        (["new", "--id", "iti-2000", "--source", "s", "--under", "90"], "already; choose another"),
        (["new", "--id", "press"], "the answers ended too early; give --id"),
        ([*NEW, "--under", "90", "-o", "/proc/none/x.yaml"], "/proc/none/x.yaml cannot be written"),
    ],
)
def test_what_cannot_be_written_is_told_and_leaves_nothing(
    folder: Path, words: list[str], told: str
) -> None:
    result = profiles(*words, answers="")
    assert (result.exit_code, result.stdout) == (2, "")
    assert told in result.stderr
    assert "Traceback" not in result.stderr
    assert not folder.exists()


def test_an_existing_file_is_left_as_it_is(tmp_path: Path) -> None:
    file = tmp_path / "mine.yaml"
    file.write_text("precious")
    result = profiles(*NEW, "--under", "90", "-o", file)
    assert (result.exit_code, file.read_text()) == (2, "precious")
    assert "is there already" in result.stderr
    assert profiles(*NEW, "--under", "90").exit_code == 0
    assert "a profile 'press' already" in profiles(*NEW, "--under", "90").stderr


# --- list and suggest -------------------------------------------------------------------------


def marked(result: Result) -> set[str]:
    assert result.exit_code == 0
    return {line.split()[1] for line in result.stdout.splitlines() if line.startswith("* ")} - {
        "fits"
    }


def test_list_marks_what_fits_a_supply() -> None:
    at_120 = marked(profiles("list", "--nominal", "120", "--hz", "60"))
    assert {"iti-2000", "ansi-c84-1-a-service", "semi-f47-0706", "ieee-1159"} <= at_120
    assert not at_120 & {"uk-supply-230", "en-50160-lv", "jp-supply-100"}
    at_230 = marked(profiles("list", "--nominal", "230", "--hz", "50"))
    assert {"uk-supply-230", "en-50160-lv", "iec-61000-4-11-class-3", "unipede"} <= at_230
    assert not at_230 & {"iti-2000", "ansi-c84-1-a-service"}
    assert marked(profiles("list")) == set()


def test_list_marks_what_fits_the_configured_supply(tmp_path: Path) -> None:
    config = write_config(tmp_path, wav_driver())  # 230 V, 50 Hz
    assert marked(profiles("list", "-c", config)) == marked(
        profiles("list", "--nominal", "230", "--hz", "50")
    )


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--nominal", "230"], "give --nominal and --hz together"),
        (["-c", "x.yaml", "--hz", "50"], "give either --config or --nominal"),
        (["-c", "missing.yaml"], "missing.yaml"),
    ],
)
def test_list_refuses_half_a_supply(words: list[str], told: str) -> None:
    result = profiles("list", *words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert told in result.stderr


def suggested(*words: str) -> dict[str, list[str]]:
    """The ids under each heading."""
    result = profiles("suggest", *words)
    assert result.exit_code == 0
    assert max(map(len, result.stdout.splitlines())) <= 80
    found: dict[str, list[str]] = {}
    heading = ""
    for line in result.stdout.splitlines():
        if line.endswith(":"):
            heading = line.split()[1]
            found[heading] = []
        elif line.startswith("  ") and not line.startswith("   "):
            found[heading].append(line.split()[0])
    return found


AT = ("--nominal", "230", "--hz", "50", "--country", "AT", "--equipment", "computer")


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (AT, {"judge": ["iec-61000-4-11-class-2"], "used,": ["iti-2000"],
              "compare": ["en-50160-lv"]}),
        (("--nominal", "230", "--hz", "50", "--country", "uk", "--equipment", "medical"),
         {"judge": ["iec-60601-1-2-ed4"], "compare": ["en-50160-lv", "uk-supply-230"]}),
        (("--nominal", "480", "--hz", "60", "--country", "US", "--equipment", "semiconductor"),
         {"judge": ["semi-f47-0706"]}),
        (("--nominal", "230", "--hz", "50", "--country", "ZZ"),
         {"judge": ["iec-61000-4-11-class-2", "iec-61000-4-11-class-3"],
          "compare": ["iec-60038"]}),
        (("--nominal", "127", "--hz", "60", "--country", "BR"), {"compare": ["br-supply-127"]}),
    ],
)  # fmt: skip
def test_suggestions(words: Sequence[str], expected: dict[str, list[str]]) -> None:
    found = suggested(*words)
    assert {heading: found[heading] for heading in expected} == expected


def test_a_suggestion_says_what_it_does_not_know() -> None:
    base = ["suggest", "--nominal", "230", "--hz", "50"]
    assert "country's own limits come first" in profiles(*base).stdout
    assert "No profile is known for ZZ" in profiles(*base, "--country", "ZZ").stdout
    assert "The profiles of JP are for 100, 200 V." in profiles(*base, "--country", "jp").stdout
    assert profiles("suggest", "--hz", "50").exit_code == 2
    # what it ends with goes into the configuration as it stands
    line = " ".join(profiles("suggest", *AT).stdout.split()).partition("Then: ")[2]
    expected = "{nominal_v: 230, frequency_hz: 50, profile: iec-61000-4-11-class-2}"
    assert line == f"supply: {expected}"


# --- drawings -------------------------------------------------------------------------------------


def bands(lines: Sequence[str]) -> dict[tuple[float, float], str]:
    """The rows of a chart: their band of voltage, and their cells, 84 columns of them."""
    found = {}
    for line in lines:
        label, bar, cells = line.partition("│")
        if bar:
            words = label.split()
            if words[0] == "above":
                low, high = float(words[1]), float(words[1]) * 1.4
            else:
                low, high = map(float, words[0].split("-"))
            found[low, high] = cells.ljust(84)
    return found


def first_time_s(axis: str) -> float:
    number, unit = axis.split()[:2]
    return float(number) * {"ms": 1e-3, "s": 1.0}[unit]


@pytest.mark.parametrize(
    "name", [name for name, one in BUILT_IN.items() if isinstance(one, Limits) and one.under]
)
def test_each_cell_of_a_chart_is_what_the_rule_says_of_a_rectangle(name: str) -> None:
    profile = BUILT_IN[name]
    lines = profile_chart(profile, 100)
    assert max(map(len, lines)) <= 100
    first_s = first_time_s(lines[0])
    rows = bands(lines)
    # the span of the axis, from the shortest and the longest time of the profile
    last_s = {"iec-61000-4-11-class-3": 100.0, "iti-2000": 100.0}.get(name, 10.0)
    for (low, high), cells in rows.items():
        for column, cell in enumerate(cells):
            time_s = first_s * (last_s / first_s) ** ((column + 0.5) / len(cells))
            value_pct = (low + high) / 2
            kind = Kind.SWELL if value_pct > 100 else Kind.DIP
            has_peak = isinstance(profile, ImmunityProfile) and profile.peak
            if has_peak and kind is Kind.SWELL and time_s <= 0.003:
                kind = Kind.TRANSIENT  # the sub-cycle part is for peaks
            facts = EventFacts(kind, value_pct, time_s)
            result = judge(facts, profile, nominal_of(profile), frequency_of(profile))
            expected = {
                Verdict.MAY_STOP: "░", Verdict.MAY_DAMAGE: "▓", Verdict.BEYOND_LIMIT: "░",
            }.get(result.verdict or Verdict.WITHIN, " ")  # fmt: skip
            assert cell.replace("·", " ") == expected, (low, high, time_s)


def test_the_axis_of_time_is_logarithmic_and_named() -> None:
    axis = profile_chart(BUILT_IN["iti-2000"], 100)[0]
    labels = [label.strip() for label in axis.split("  ") if label.strip()]
    assert labels == ["0.1 ms", "1 ms", "10 ms", "100 ms", "1 s", "10 s", "100 s"]
    starts = [axis.index(label) for label in ("0.1 ms", " 1 ms", " 10 ms", " 100 ms", " 1 s")]
    gaps = [later - earlier for earlier, later in pairwise(starts[1:])]
    assert max(gaps) - min(gaps) <= 1  # 84 columns for 6 decades
    cells = bands(profile_chart(BUILT_IN["iti-2000"], 100))[0.0, 70.0]
    first = len(cells) - len(cells.lstrip())
    # ITI 2000: nothing but 20 ms below 70 %
    times_s = [1e-4 * 1e6 ** ((n + 0.5) / 84) for n in (first - 1, first)]
    assert times_s[0] <= 0.02 < times_s[1]


def test_cells_of_a_grid_carry_their_keys() -> None:
    shown = profiles("show", "unipede").stdout
    assert "A    depth 10-15 % for 10-100 ms" in shown
    rows = bands(profile_chart(BUILT_IN["unipede"], 100))
    assert sorted(set(rows[85.0, 90.0]) - {" "}) == list("ABCDEF")
    assert sorted(set(rows[1.0, 10.0]) - {" "}) == list("YZabcd")
    assert set(rows[0.0, 1.0]) == {" "}


@pytest.mark.parametrize("name", BUILT_IN)
def test_every_profile_shows_and_checks(name: str) -> None:
    result = profiles("show", name)
    assert (result.exit_code, result.stderr) == (0, "")
    assert max(map(len, result.stdout.splitlines())) <= 80
    profile = BUILT_IN[name]
    if isinstance(profile, ClassificationProfile) or profile.under:
        assert "│" in result.stdout
    file = Path(__file__).parent.parent / "config" / "profiles" / f"{name}.yaml"
    assert f"{profile.kind} profile {name}" in " ".join(profiles("check", file).stdout.split())


def test_limits_beside_the_voltage_are_shown() -> None:
    shown = profiles("show", "ieee-519-lv").stdout
    assert "Total distortion at most 8 %." in shown
    assert "Each harmonic at most 5 %." in shown
    assert "95 % of means over 10 min within 7 days" in shown
    assert "97 % of the means at least 117 V." in profiles("show", "br-supply-127").stdout


@pytest.mark.skipif(find_spec("matplotlib") is None, reason="matplotlib is not installed")
@pytest.mark.parametrize("name", ["iti-2000", "ieee-1159"])
def test_a_picture(name: str, tmp_path: Path) -> None:
    file = tmp_path / "curve.png"
    result = profiles("show", name, "--png", file)
    assert result.exit_code == 0, result.output
    assert f"Picture: {file}" in result.stdout
    head = file.read_bytes()[:24]
    assert head[:8] == b"\x89PNG\r\n\x1a\n"  # PNG specification, 5.2
    assert struct.unpack(">II", head[16:24]) == (1200, 750)


@pytest.mark.skipif(find_spec("matplotlib") is None, reason="matplotlib is not installed")
@pytest.mark.parametrize(
    ("name", "file", "told"),
    [
        ("ieee-519-lv", "x.png", "limits no voltage: there is no curve to draw"),
        ("iti-2000", "no/such.png", "cannot be written: No such file"),
    ],
)
def test_a_picture_that_cannot_be(name: str, file: str, told: str, tmp_path: Path) -> None:
    result = profiles("show", name, "--png", tmp_path / file)
    assert (result.exit_code, result.stdout) == (2, "")
    assert told in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_without_matplotlib_a_picture_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for name in [name for name in sys.modules if name.partition(".")[0] == "matplotlib"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "matplotlib", None)  # as if it were not installed
    monkeypatch.delitem(sys.modules, "tools.profile_picture", raising=False)
    result = profiles("show", "iti-2000", "--png", tmp_path / "x.png")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "pip install '.[report]'" in result.stderr
