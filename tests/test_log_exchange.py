"""Export and import: nothing is lost, nothing runs, and what cannot be read is named."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from pathlib import Path

import pytest
from roasts import HOSTILE, roast_events

from crackdetect.config import parse_weight
from crackdetect.errors import InputError, SettingError
from crackdetect.roast.record import RoastRecord
from crackdetect.storage import exchange_csv, exchange_json
from crackdetect.storage.roast_store import RoastLog


@pytest.fixture
def log(tmp_path: Path) -> RoastLog:
    made = RoastLog(tmp_path / "roasts.sqlite3")
    about = {"coffee": "Lot Seven", "green_g": 200.0, "started": "2026-03-01T18:30:00+00:00", "expect": [360, 420]}
    made.keep(roast_events(about=about, target="18%"))
    made.edit(made.find("1"), values={"roasted_g": 168.0, "coffee": "Lot Seven 2"}, moments={"drop": 505.0})
    made.note(made.find("1"), text='lemon,\n"quoted"', cup=-1, liking=4)
    return made


def records(log: RoastLog) -> list[RoastRecord]:
    return [log.record(roast) for roast in log.roasts()[::-1]]


def table(text: str) -> list[dict[str, str]]:
    """Read back by the standard library."""
    return list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"), newline="")))


def test_json_lines_keep_everything(log: RoastLog, tmp_path: Path) -> None:
    (line,) = [json.dumps(exchange_json.to_json(record)) for record in records(log)]
    with RoastLog(tmp_path / "other.sqlite3") as other:
        assert other.put(exchange_json.from_json(line))
        assert not other.put(exchange_json.from_json(line))  # it is there already
        assert other.put(exchange_json.from_json(line), replace=True)
        assert [exchange_json.to_json(record) for record in records(other)] == [json.loads(line)]
        assert other.count() == 1


def test_the_table_has_units_in_its_headings_and_plain_numbers(log: RoastLog) -> None:
    text = "".join(exchange_csv.to_csv(records(log)))
    assert text.startswith("\ufeff")  # by which spreadsheets know UTF-8
    assert text.count("\r\n") == 2  # RFC 4180; the line end inside the note is a slash
    (row,) = table(text)
    assert list(row) == list(exchange_csv.COLUMNS)
    assert (row["green_g"], row["roasted_g"], row["weight_loss"]) == ("200.0", "168.0", "0.16")
    assert (row["charge_s"], row["first_crack_s"], row["drop_s"]) == ("10.0", "390.0", "495.0")
    assert (row["development_s"], row["first_crack_by"]) == ("105.0", "heard")
    assert float(row["development_ratio"]) == pytest.approx(105 / 495, abs=1e-5)
    assert (row["cup"], row["liking"]) == ("under", "4")


def test_a_spreadsheet_reader_sees_the_same(log: RoastLog, tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas")
    path = tmp_path / "roasts.csv"
    path.write_text("".join(exchange_csv.to_csv(records(log))), encoding="utf-8", newline="")
    frame = pandas.read_csv(path)
    assert frame["first_crack_s"].tolist() == [390.0]
    assert frame["coffee"].tolist() == ["Lot Seven 2"]
    assert frame["notes"][0].endswith('lemon, / "quoted"')


def test_our_own_table_comes_back_as_marks(log: RoastLog, tmp_path: Path) -> None:
    text = "".join(exchange_csv.to_csv(records(log)))
    ((line, record),) = exchange_csv.from_csv(text)
    assert line == 2
    assert isinstance(record, RoastRecord)
    roast = record.roast
    assert (roast.identity, roast.coffee, roast.green_g, roast.roasted_g) == ("monday", "Lot Seven 2", 200, 168)
    assert (roast.first_crack, roast.development) == (390, 105)
    assert roast.moment("first_crack.start").whose == "marked"


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_no_cell_is_a_formula_and_names_come_back_as_they_were(tmp_path: Path, text: str) -> None:
    with RoastLog(tmp_path / "roasts.sqlite3") as log:
        log.keep(roast_events("one", about={"coffee": text, "origin": text}))
        kept = log.find("1").coffee
        out = "".join(exchange_csv.to_csv(records(log)))
    for cell in table(out)[0].values():
        assert not cell.startswith(("=", "+", "@", "\t", "\r"))
        assert not cell.startswith("-") or cell[1:].replace(".", "").isdigit()
    ((_, record),) = exchange_csv.from_csv(out)
    assert isinstance(record, RoastRecord)
    assert record.roast.coffee == kept


@pytest.mark.parametrize("text", ["＝1+1", "＋1", "－1", "＠SUM(A1)"])
def test_wide_letters_begin_no_formula_either(tmp_path: Path, text: str) -> None:
    """Some spreadsheets take them for the narrow ones."""
    with RoastLog(tmp_path / "roasts.sqlite3") as log:
        log.keep(roast_events("one", about={"coffee": text}))
        out = "".join(exchange_csv.to_csv(records(log)))
    assert table(out)[0]["coffee"] == f"'{text}"


def test_a_semicolon_stays_within_its_cell(tmp_path: Path) -> None:
    """Where decimals have a comma, spreadsheets cut lines at semicolons: what follows would begin a cell of its own."""
    with RoastLog(tmp_path / "roasts.sqlite3") as log:
        log.keep(roast_events("one", about={"coffee": "a;=1+1"}))
        out = "".join(exchange_csv.to_csv(records(log)))
    assert '"a;=1+1"' in out
    assert table(out)[0]["coffee"] == "a;=1+1"


# -- tables of other programs ----------------------------------------------------------------------------------

PLAIN = "Date;Bean;In;Out;FC;End\n2026-03-01;Hill;7;5.9;9:36;720\n2026-03-02;Hill;7 oz;170 g;9:40;12:05\n;;;;;\n"
MAP = {
    "started": "Date",
    "coffee": "Bean",
    "green_g": "In",
    "roasted_g": "Out",
    "first_crack_s": "FC",
    "drop_s": "End",
}


def test_a_plain_table_with_a_column_map() -> None:
    first, second = [record for _, record in exchange_csv.from_csv(PLAIN, columns=MAP, weights_in="oz")]
    assert isinstance(first, RoastRecord)
    assert isinstance(second, RoastRecord)
    # the avoirdupois ounce is 28.349523125 g (international yard and pound agreement, 1959)
    assert first.roast.green_g == pytest.approx(7 * 28.349523125)
    assert second.roast.green_g == first.roast.green_g
    assert second.roast.roasted_g == 170
    assert (first.roast.first_crack, first.roast.total, first.roast.ratio) == (576, 720, pytest.approx(0.2))
    assert first.roast.day == "2026-03-01"
    again = [record for _, record in exchange_csv.from_csv(PLAIN, columns=MAP, weights_in="oz")]
    assert isinstance(again[0], RoastRecord)
    assert again[0].roast.identity == first.roast.identity  # the same row is the same roast


def test_a_development_time_alone_gives_first_crack() -> None:
    ((_, record),) = exchange_csv.from_csv("d,e\n2:00,12:00\n", columns={"development_s": "d", "drop_s": "e"})
    assert isinstance(record, RoastRecord)
    assert record.roast.first_crack == 600


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("2026-03-01;Hill;heavy;5;9:36;720", "green_g 'heavyoz'|green_g 'heavy'"),
        ("2026-03-01;Hill;7;5;soon;720", "first_crack_s 'soon' is not a time"),
        ("2026-03-01;Hill;5;7;9:36;720", "roasted_g .* is not below green_g"),
        ("1 March;Hill;7;5;9:36;720", "started '1 March' is not a date"),
        ("2026-03-01;Hill;7;5;9:36;0", "drop_s must come after charge"),
        ("0001-01-01;Hill;7;5;9:36;720", "started '0001-01-01' is not a date"),
        (f"2026-03-01;Hill;7;5;9:36;{'9' * 400}", "drop_s 9+… is out of range"),
    ],
)
def test_a_field_that_cannot_be_read_is_named(row: str, told: str) -> None:
    ((line, sentence),) = exchange_csv.from_csv(PLAIN.splitlines()[0] + "\n" + row + "\n", columns=MAP, weights_in="oz")
    assert line == 2
    assert isinstance(sentence, str)
    with pytest.raises(SettingError, match=told):
        raise SettingError(sentence)


def test_a_heading_that_is_not_there_and_a_name_that_is_not_ours() -> None:
    with pytest.raises(InputError, match="no column 'Bohne'"):
        list(exchange_csv.from_csv(PLAIN, columns={"coffee": "Bohne"}))
    with pytest.raises(SettingError, match="'taste' is unknown"):
        list(exchange_csv.from_csv(PLAIN, columns={"taste": "Bean"}))
    with pytest.raises(InputError, match="--map"):
        list(exchange_csv.from_csv(PLAIN))
    with pytest.raises(InputError, match="line 1 is not CSV"):
        list(exchange_csv.from_csv(f"identity,drop_s,{'x' * 200_000}\na,1,2\n"))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"format": "other"}, "not a roast"),
        ({"format_version": 9}, "version 9"),
        ({"identity": None}, "'identity' is missing"),
        ({"green_g": -1}, "'green_g' is -1"),
        ({"green_g": "much"}, "'green_g'"),
        ({"moments": {"lunch": {}}}, "'moments'"),
        ({"cracks": [{"at_s": 1}]}, "'cracks'"),
        ({"notes": [{"tasted_on": "x", "text": ""}]}, "'notes'"),
        ({"length_s": 1e300}, "'length_s'"),
        ({"length_s": float("inf")}, "'length_s'"),
        ({"crack_count": 10**30}, "'crack_count'"),
        ({"samplerate": 10**30}, "'samplerate'"),
        ({"troubles": [{"at_s": 1, "kind": "gap", "occurrences": 10**30, "message": "m"}]}, "'troubles'"),
        ({"started": "0001-01-01"}, "'started'"),
        ({"entered": {"started": "0001-01-01"}, "started": "2026-01-01"}, "'started'"),
        ({"kept": "0001-01-01T00:00:00"}, "'kept'"),
        ({"expect": [1]}, "'expect'"),
        ({"recording": 5}, "'recording'"),
        ({"recording": "a\0b"}, "'recording'"),
        ({"identity": json.loads("[" * 500 + "]" * 500)}, "'identity'"),
    ],
)
def test_a_line_that_is_not_as_it_should_be_names_its_field(
    log: RoastLog, change: dict[str, object], told: str
) -> None:
    changed = {**exchange_json.to_json(records(log)[0]), **change}
    with pytest.raises(InputError, match=told):
        exchange_json.from_json(json.dumps(changed))


def test_a_cell_that_is_too_long_is_told_with_its_line() -> None:
    with pytest.raises(InputError, match="line 3 is not CSV"):
        list(exchange_csv.from_csv(f"identity,drop_s,coffee\na,500,x\nb,500,{'x' * 200_000}\n"))


def test_brackets_without_end_are_no_line() -> None:
    with pytest.raises(InputError, match="not a line of JSON"):
        exchange_json.from_json("[" * 5_000)


# -- recordings --------------------------------------------------------------------------------------------------


def imported(log: RoastLog, *, recording: str, sha256: str | None, identity: str = "other") -> Path | None:
    """The recording of a roast after it came from another log."""
    fields = exchange_json.to_json(records(log)[0])
    changed = {**fields, "identity": identity, "recording": recording, "recording_sha256": sha256}
    assert log.put(exchange_json.from_json(json.dumps(changed)), replace=True)
    return log.find(identity).recording


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    """A recording in the folder of a roast beside the log."""
    folder = tmp_path / "roasts" / "monday evening"
    folder.mkdir(parents=True)
    (folder / "sound.flac").write_bytes(b"sound")
    return folder / "sound.flac"


@pytest.mark.parametrize(
    "path",
    [
        "/home/somebody/crackdetect/roasts/monday evening/sound.flac",
        "C:\\Users\\somebody\\crackdetect\\roasts\\monday evening\\sound.flac",
    ],
)
def test_an_imported_recording_is_found_by_name_and_hash_in_the_own_folder(
    log: RoastLog, recorded: Path, path: str
) -> None:
    digest = hashlib.sha256(b"sound").hexdigest()
    assert imported(log, recording=path, sha256=digest) == recorded
    assert imported(log, recording=path, sha256="0" * 64) is None
    assert imported(log, recording=path, sha256=None) is None


def test_no_other_path_of_an_import_is_trusted(log: RoastLog, recorded: Path, tmp_path: Path) -> None:
    secret = tmp_path / "secret" / "sound.flac"
    secret.parent.mkdir()
    secret.write_bytes(b"sound")
    (tmp_path / "sound.flac").write_bytes(b"sound")
    recorded.parent.with_name("a link").symlink_to(secret.parent)
    digest = hashlib.sha256(b"sound").hexdigest()
    for number, path in enumerate((
        str(secret), "/etc/passwd", "\\\\server\\share\\sound.flac", "//server/share/sound.flac", "x/../sound.flac",
        "./sound.flac", "sound.flac", "a link/sound.flac", "", "/dev/zero", "<script>alert(1)</script>.flac",
        "/a\ud800b.wav", "x" * 5_000,
    )):  # fmt: skip
        assert imported(log, recording=path, sha256=digest, identity=f"other {number}") is None, path


def test_a_recording_that_was_not_there_at_a_first_import_is_found_at_the_next(log: RoastLog, recorded: Path) -> None:
    digest = hashlib.sha256(b"sound").hexdigest()
    away = recorded.rename(recorded.with_name("away.flac"))
    assert imported(log, recording=str(recorded), sha256=digest) is None
    away.rename(recorded)
    assert imported(log, recording=str(recorded), sha256=digest) == recorded


def test_a_recording_that_this_log_knows_stays_where_it_is(log: RoastLog, tmp_path: Path) -> None:
    sound = tmp_path / "elsewhere.wav"
    sound.write_bytes(b"sound")
    log.keep(roast_events("known", source="file"), recording=sound)
    digest = hashlib.sha256(b"sound").hexdigest()
    assert imported(log, recording=str(sound), sha256=digest, identity="known") == sound


@pytest.mark.parametrize("field", ["started", "kept", "day"])
@pytest.mark.parametrize("year", ["0001", "0026", "0999", "1969", "9999"])
def test_a_roast_of_any_year_leaves_a_log_that_can_be_read(log: RoastLog, field: str, year: str) -> None:
    fields = exchange_json.to_json(records(log)[0])
    when = f"{year}-12-01T12:00:00+00:00"
    other = {**fields, "identity": "other", "started": None, field: when[:10] if field == "day" else when}
    assert log.put(exchange_json.from_json(json.dumps(other)))
    roast = log.find("other")
    if field == "day":  # worked out anew
        assert roast.day == fields["kept"][:10]
    else:
        assert roast.day == f"{year}-12-01"
    assert len(log.roasts()) == 2


def test_weights_as_people_write_them() -> None:
    """Pound and ounce: exact by the international yard and pound agreement of 1959."""
    assert parse_weight("0.5lb") == pytest.approx(226.796185)
    assert parse_weight("7oz") == pytest.approx(198.446661875)
    assert parse_weight("0,2 kg") == 200
