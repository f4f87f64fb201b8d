"""farm.toml: defaults, bounds, and what is refused."""

import tomllib

import pytest

from afterdip.log import PestLife, Settings, check_log, read_log, write_empty_log
from afterdip.log.schema import TABLES
from builders import AS_OF, small_log, write_log


def settings(tmp_path, text):
    return read_log(write_log(small_log() | {"farm": text}, tmp_path / "log"), as_of=AS_OF).settings


def lines(tmp_path, text):
    return [str(p) for p in check_log(write_log(small_log() | {"farm": text}, tmp_path / "log"), as_of=AS_OF).problems]


def test_everything_set(tmp_path):
    text = """
[farm]
name = "Invented"
currency = "EUR"
wage_per_hour = 20
water_temperature_c = 26.5
[targets]
kill = 0.9
loss = 0
horizon_days = 60
confidence = 0.9
[compare]
kill_margin = 0.1
loss_margin = 0.02
[release]
design_prevalence = 0.05
inspection_sensitivity = 0.8
[value]
SPS = 20
"my group" = 4.5
[pests.flatworm]
hatch_days_latest = 15
first_laying_days_earliest = 27
at_temperature_c = 27
source = "own records"
"""
    assert settings(tmp_path, text) == Settings(
        name="Invented", currency="EUR", wage_per_hour=20, water_temperature_c=26.5, target_kill=0.9, target_loss=0,
        horizon_days=60, confidence=0.9, kill_margin=0.1, loss_margin=0.02, design_prevalence=0.05,
        inspection_sensitivity=0.8, piece_value={"sps": 20, "my group": 4.5},
        pests={"flatworm": PestLife(15, 27, 27, "own records")},
    )  # fmt: skip


@pytest.mark.parametrize("text", ["", "[farm]\n[targets]\n", "\ufeff# nothing set"])
def test_defaults(tmp_path, text):
    assert settings(tmp_path, text) == Settings()


@pytest.mark.parametrize(
    ("text", "section", "key", "known"),
    [
        ("[farm]\nWAGE_PER_HOUR = 9", "farm.", "WAGE_PER_HOUR", "wage_per_hour"),
        ("[targets]\nhorizon-days = 9", "targets.", "horizon-days", "horizon_days"),
        ('[targets]\n"k\u0456ll" = 0.9', "targets.", "k\u0456ll", "kill"),
        ("[Targets]\nkill = 0.9", "", "Targets", "targets"),
    ],
)
def test_a_setting_that_can_only_mean_a_known_one_is_refused(tmp_path, text, section, key, known):
    """Ignored with a warning, the report would be on targets that the farm did not set."""
    line = f"farm.toml, key '{section}{key}': a setting by its name (is it '{known}'?), got '{key}'"
    assert lines(tmp_path, text) == [line]


REFUSED = {
    "share as per cent": ("[targets]\nkill = 95", "key 'targets.kill': number above 0, at most 1, got '95'"),
    "none to kill": ("[targets]\nkill = 0", "key 'targets.kill': number above 0, at most 1, got '0'"),
    "all may be lost": ("[targets]\nloss = 1.0", "key 'targets.loss': number of 0 or more and below 1, got '1'"),
    "part of a day": (
        "[targets]\nhorizon_days = 30.5",
        "key 'targets.horizon_days': whole number of 1 or more, at most 365, got '30.5'",
    ),
    "certainty": ("[targets]\nconfidence = 1", "key 'targets.confidence': number of 0.5 or more and below 1, got '1'"),
    "quoted": (
        '[targets]\nkill = "0.95"',
        "key 'targets.kill': number above 0, at most 1, without quotes, got '0.95'",
    ),
    "truth": ("[targets]\nkill = true", "key 'targets.kill': number above 0, at most 1, got 'TRUE'"),
    "not a number": ("[farm]\nwage_per_hour = nan", "key 'farm.wage_per_hour': number of 0 or more, got 'nan'"),
    "a list": ("[farm]\nname = [1]", "key 'farm.name': text, got '[1]'"),
    "a value, not a section": ("farm = 3", "key 'farm': a section [farm], got '3'"),
    "a pest, not a section": ("[pests]\nflatworm = 3", "key 'pests.flatworm': a section [pests.flatworm], got '3'"),
    "half a pest": (
        "[pests.a]\nhatch_days_latest = 15\nsource = 'x'",
        "key 'pests.a': all four figures of a pest, got no first_laying_days_earliest, at_temperature_c",
    ),
    "value below nothing": ("[value]\nsps = -1", "key 'value.sps': number of 0 or more, got '-1'"),
}


@pytest.mark.parametrize("text, expected", REFUSED.values(), ids=REFUSED)
def test_refused(tmp_path, text, expected):
    assert lines(tmp_path, text) == [f"farm.toml, {expected}"]


def test_not_toml(tmp_path):
    (line,) = lines(tmp_path, "[farm\nname = ")
    assert line.startswith("farm.toml, row 1: a TOML file, got: ")


@pytest.mark.parametrize("xlsx", [False, True])
def test_an_empty_log_is_valid_and_sets_nothing(tmp_path, xlsx):
    written = write_empty_log(tmp_path / "new", xlsx=xlsx)
    assert all(path.is_file() for path in written)
    log = read_log(tmp_path / "new", as_of=AS_OF)
    assert log.settings == Settings()
    assert [len(getattr(log, name)) for name in TABLES] == [0] * 6
    assert log.warnings == ()
    before = {path: path.read_bytes() for path in (tmp_path / "new").iterdir()}
    with pytest.raises(FileExistsError, match=r"farm\.toml, DICTIONARY\.md"):
        write_empty_log(tmp_path / "new", xlsx=xlsx)
    assert {path: path.read_bytes() for path in (tmp_path / "new").iterdir()} == before


def test_one_file_in_the_way_and_nothing_is_written(tmp_path):
    (tmp_path / "checks.csv").write_text("mine")
    with pytest.raises(FileExistsError, match=r"without checks\.csv"):
        write_empty_log(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["checks.csv"]
    with pytest.raises(NotADirectoryError):
        write_empty_log(tmp_path / "checks.csv")


def test_every_default_in_the_new_settings_file_is_the_one_used(tmp_path):
    write_empty_log(tmp_path / "new")
    text = (tmp_path / "new" / "farm.toml").read_text()
    lines = [line.removeprefix("# ") for line in text.split("[value]")[0].splitlines()]
    document = tomllib.loads(
        "\n".join(line for line in lines if line.startswith("[") or (" = " in line and "=   #" not in line))
    )
    assert document["targets"] == {"kill": 0.95, "loss": 0.05, "horizon_days": 30, "confidence": 0.95}
    assert document["compare"] == {"kill_margin": 0.05, "loss_margin": 0.05}
    assert document["release"] == {"design_prevalence": 0.02}


def test_the_dictionary_names_every_column_with_its_words(tmp_path):
    write_empty_log(tmp_path / "new")
    text = (tmp_path / "new" / "DICTIONARY.md").read_text()
    for table in TABLES.values():
        assert f"## {table.name}\n" in text
        for column in table.columns:
            assert f"| {column.name} | " in text
            assert column.help in text
            assert ", ".join(column.allowed) in text


def test_a_filled_in_new_workbook_reads_as_the_csv_does(tmp_path):
    import openpyxl

    from builders import KEYS, typed

    write_empty_log(tmp_path / "new", xlsx=True)
    path = tmp_path / "new" / "log.xlsx"
    book = openpyxl.load_workbook(path)
    for name in KEYS:
        for row in typed(small_log()[name]).astype(object).itertuples(index=False):
            book[name].append([None if cell != cell or cell is None else cell for cell in row])
    book.save(path)
    log = read_log(path, as_of=AS_OF)
    assert log.sessions["session"].tolist() == ["001", "002", "003", "004", "005", "006"]
