"""The config: defaults, every kind of mistake with its message, and the generated reference."""

import re

import pytest
import yaml

from pipeline.errors import ConfigError
from pipeline.settings.document import default_yaml, reference_markdown, stale_files, write_reference
from pipeline.settings.filters import filter_set_of, lines_of, passbands_of
from pipeline.settings.keys import REQUIRED, Key
from pipeline.settings.load import find_mistakes, load_settings
from pipeline.settings.source import read_source
from pipeline.settings.tables import all_keys
from pipeline.settings.validate import check_values

SMALLEST = """\
input: {folders: [frames]}
output: {folder: results}
filter_sets:
  broad: {role: broadband}
"""


@pytest.fixture
def write(tmp_path, monkeypatch):
    """Write a config below a working folder that has a folder of frames; give its path."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "frames").mkdir()

    def _write(text):
        path = tmp_path / "target.yaml"
        path.write_text(text, encoding="utf-8")
        return path

    return _write


def mistakes(path):
    return [str(finding) for finding in find_mistakes(path)[1]]


def test_the_smallest_config_gets_every_default(write):
    settings = load_settings(write(SMALLEST))
    assert settings["filter_sets"]["broad"]["filter_names"] == []
    for key in all_keys():
        value = settings
        for part in key.path.split("."):
            value = value[part]
        if key.default is not REQUIRED:
            assert value == (list(key.default) if isinstance(key.default, tuple) else key.default), key.path


def test_defaults_do_not_leak_from_one_config_to_the_next(write):
    first = load_settings(write(SMALLEST))
    first["input"]["ignore"].append("*")
    assert load_settings(write(SMALLEST))["input"]["ignore"] == []


def test_every_default_is_a_value_that_the_key_accepts():
    for key in all_keys():
        if key.default is REQUIRED:
            continue
        # A path must not exist for this check, so the values alone are checked, not their meaning.
        checked = check_values({"x": _plain(key.default)}, [_renamed(key)])
        assert checked.findings == [], key.path
        assert checked.settings["x"] == _plain(key.default)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (
            "run: {memory_gb: lots}",
            'run.memory_gb (line 5): found "lots"; expected a number from 0.5 to 1024 GB.',
        ),
        (
            "run: {memory_gb: 0.1}",
            "run.memory_gb (line 5): found 0.1; expected a number from 0.5 to 1024 GB.",
        ),
        (
            "run: {memory_gb: true}",
            "run.memory_gb (line 5): found true; expected a number from 0.5 to 1024 GB.",
        ),
        (
            "run: {memory_gb: .nan}",
            "run.memory_gb (line 5): found nan; expected a number from 0.5 to 1024 GB.",
        ),
        (
            "run: {memory_gb: null}",
            "run.memory_gb (line 5): found null; expected a number from 0.5 to 1024 GB.",
        ),
        ("run: {seed: 1.5}", "run.seed (line 5): found 1.5; expected a whole number from 0 to 4294967295."),
        (
            "target: {name: 7}",
            "target.name (line 5): found 7 (put it in quotes to make it text); expected text.",
        ),
        (
            "target: {nmae: M}",
            'target.nmae (line 5): there is no such key (its value is "M"). Did you mean target.name?',
        ),
        ("sites: {}", "sites (line 5): there is no such key (its value is {}). Did you mean site?"),
        (
            "target: {seed: 5}",
            "target.seed (line 5): there is no such key (its value is 5). Did you mean run.seed?",
        ),
        ("target: [a]", 'target (line 5): found ["a"]; expected keys below it: name.'),
        (
            "camera: {cfa_pattern: RGBG}",
            'camera.cfa_pattern (line 5): found "RGBG"; expected one of RGGB, BGGR, GRBG, GBRG, mono, or null.'
            " Did you mean RGGB?",
        ),
        (
            "camera: {response: curve.csv}",
            'camera.response (line 5): there is no file "curve.csv"; expected an existing CSV file, or null.',
        ),
        (
            "target: {name: a}\ntarget: {name: b}",
            "target (line 6): given twice, first in line 5; expected one value; remove one of the two.",
        ),
    ],
)
def test_a_mistake_names_key_line_value_and_what_was_expected(write, line, told):
    assert mistakes(write(f"{SMALLEST}{line}\n")) == [told]


def test_all_mistakes_come_at_once_in_the_order_of_the_file(write):
    text = (
        SMALLEST.replace("broadband", "brodband") + "run: {seed: x}\nlines: {crosstalk: guess}\nnonsense: 1\n"
    )
    with pytest.raises(ConfigError) as caught:
        load_settings(write(text))
    told = str(caught.value).splitlines()
    assert told[0].endswith("4 mistakes in the config")
    assert [re.search(r"line (\d+)", line).group(1) for line in told[1:]] == ["4", "5", "6", "7"]
    assert "Did you mean broadband?" in told[1]


def test_what_a_target_must_give_is_asked_for(write):
    told = mistakes(write("target: {name: M}\n"))
    assert [line.split(":")[0] for line in told] == ["input.folders", "output.folder", "filter_sets"]
    assert all("is missing; expected" in line for line in told)


@pytest.mark.parametrize(
    ("filter_sets", "told"),
    [
        ("{}", "filter_sets (line 3): is empty; expected at least one filter set."),
        (
            "{a: {role: dualband}}",
            "filter_sets.a (line 3): a dualband filter set needs passbands_nm or lines",
        ),
        ("{my-set: {role: broadband}}", 'the name "my-set" cannot be used; expected letters and digits only'),
        (
            "{a: {role: broadband, filter_names: [X 1]}, b: {role: unfiltered, filter_names: [x-1]}}",
            "belongs to a already",
        ),
        (
            "{a: {role: broadband, passbands_nm: [[700, 400]]}}",
            "found [700, 400]; expected the shorter wavelength first",
        ),
        ("{a: {role: broadband, passbands_nm: [[400]]}}", "expected a list of 2 items"),
        (
            "{a: {role: broadband, passbands_nm: [[4000, 7000]]}}",
            "found 4000; expected a number from 200 to 2000 nm",
        ),
        ("{a: {role: dualband, passbands_nm: [[400, 700]]}}", "300 nm is too wide for a dualband filter"),
        ("{a: {role: narrowband, passbands_nm: [[700, 710]]}}", "no known line lies in these bands"),
        (
            "{a: {role: narrowband, passbands_nm: [[651, 661]], lines: [OIII]}}",
            "OIII at 500.684 nm is in none of passbands_nm",
        ),
        (
            "{a: {role: narrowband, lines: [Halpha]}}",
            'found "Halpha"; expected one of Ha, OIII, Hb, NII, SII',
        ),
        ("{a: {role: broadband, line_throughput: {Hx: 0.5}}}", "line_throughput.Hx (line 3): unknown line"),
        ("{a: {role: broadband, line_throughput: {Ha: 50}}}", "found 50; expected a number from 0 to 1"),
        ("{a: {role: broadband, transmission: t.csv}}", 'there is no file "t.csv"'),
        ("{a: null}", "filter_sets.a.role (line 3): is missing"),
    ],
)
def test_filter_sets_that_make_no_sense_are_refused(write, filter_sets, told):
    found = mistakes(
        write(f"input: {{folders: [frames]}}\noutput: {{folder: results}}\nfilter_sets: {filter_sets}\n")
    )
    assert any(told in line for line in found), found


@pytest.mark.parametrize(
    ("folders", "told"),
    [
        ("input: {folders: []}\noutput: {folder: results}", "input.folders (line 1): is empty"),
        (
            "input: {folders: [frames, gone]}\noutput: {folder: results}",
            'input.folders[1] (line 1): there is no folder "gone"',
        ),
        ("input: {folders: [frames]}\noutput: {folder: frames}", '"frames" is an input folder too'),
        ("input: {folders: [frames]}\noutput: {folder: '{x}'}", "a name without braces"),
        ("input: {folders: [frames]}\noutput: {folder: target.yaml}", '"target.yaml" is a file'),
        (
            "input: {folders: frames}\noutput: {folder: results}",
            'found "frames"; expected a list like [a, b]',
        ),
        (
            "input: {folders: [frames], overrides: [{match: x, fliter: y}]}\noutput: {folder: results}",
            "Did you mean input.overrides[0].filter?",
        ),
    ],
)
def test_folders_are_checked(write, folders, told):
    found = mistakes(write(f"{folders}\nfilter_sets: {{a: {{role: broadband}}}}\n"))
    assert any(told in line for line in found), found


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"a: [1\nb: 2\n", "is not valid YAML in line"),
        (b"a: 1\n\tb: 2\n", "is not valid YAML in line 2"),
        (b"\xff\xfe", "is not UTF-8 text"),
        (b"just words\n", "does not hold `key: value` lines"),
        (b"a: &x [*x]\n", "an alias that contains itself"),
    ],
)
def test_a_file_that_is_not_yaml_is_told_so(tmp_path, content, told):
    path = tmp_path / "target.yaml"
    path.write_bytes(content)
    found = mistakes(path)
    assert len(found) == 1
    assert told in found[0]


def test_a_missing_file_is_told_so(tmp_path):
    assert "cannot be read: no such file" in mistakes(tmp_path / "none.yaml")[0]


def test_values_are_read_as_they_are_written(tmp_path):
    # YAML 1.1 would read these as false, a date, 45000 seconds, the text 1e3 and 8.
    path = tmp_path / "values.yaml"
    path.write_text("a: No\nb: 2031-03-02\nc: 12:30\nd: 1e3\ne: 010\n7: x\n", encoding="utf-8")
    source = read_source(path)
    assert source.values == {"a": "No", "b": "2031-03-02", "c": "12:30", "d": 1000.0, "e": 10, "7": "x"}
    assert source.lines["7"] == 6


def test_spellings_of_a_filter_are_matched_freely():
    sets = {"broad": {"filter_names": ["City Cut-2"]}, "duo": {"filter_names": []}}
    assert filter_set_of("city_cut 2", sets) == "broad"
    assert filter_set_of(" DUO ", sets) == "duo"
    assert filter_set_of("broad", sets) is None  # its names are given, and this is none of them


@pytest.mark.parametrize(
    ("entry", "lines", "bands"),
    [
        ({"role": "broadband", "lines": [], "passbands_nm": []}, [], [(400.0, 700.0)]),
        ({"role": "unfiltered", "lines": [], "passbands_nm": []}, [], None),
        (
            {"role": "dualband", "lines": [], "passbands_nm": [[495.0, 506.0], [650.0, 662.0]]},
            ["Ha", "OIII"],
            [(495.0, 506.0), (650.0, 662.0)],
        ),
        ({"role": "narrowband", "lines": ["SII"], "passbands_nm": []}, ["SII"], [(666.644, 676.644)]),
    ],
)
def test_lines_and_bands_follow_from_role_and_numbers(entry, lines, bands):
    assert lines_of(entry) == lines
    found = passbands_of(entry)
    if bands is None:
        assert found is None
    else:
        # Decimal wavelengths plus and minus 5 nm: only rounding of binary fractions is allowed for.
        assert [pytest.approx(band, abs=1e-9) for band in bands] == found


def test_default_yaml_holds_the_defaults():
    content = yaml.safe_load(default_yaml())
    for key in all_keys():
        if key.default is REQUIRED:
            continue
        value = content
        for part in key.path.split("."):
            value = value[part]
        assert value == _plain(key.default), key.path


def test_the_reference_names_every_key_with_unit_range_and_default():
    text = reference_markdown()
    for key in all_keys():
        if key.kind == "mapping" and key.path == key.section:
            continue
        row = next(line for line in text.splitlines() if line.startswith(f"| `{key.path}` |"))
        for number in (key.minimum, key.maximum):
            assert number is None or f"{number:.15g}" in row, key.path
        assert key.kind not in ("number", "integer") or key.unit in row, key.path


def test_stale_reference_files_are_found(tmp_path):
    write_reference(tmp_path)
    assert stale_files(tmp_path) == []
    (tmp_path / "README.md").write_text("old", encoding="utf-8")
    assert [path.name for path in stale_files(tmp_path)] == ["README.md"]


def test_ranges_are_not_empty():
    for key in all_keys():
        assert key.minimum is None or key.maximum is None or key.minimum < key.maximum, key.path


@pytest.mark.parametrize(
    "attributes",
    [
        {"kind": "colour"},
        {"kind": "list"},
        {"kind": "text", "of": "text"},
        {"kind": "choice"},
        {"kind": "number", "default": None},
    ],
)
def test_a_key_that_is_defined_wrongly_is_refused(attributes):
    with pytest.raises(ValueError, match=r"^a\.b: "):
        Key("a.b", **attributes)


def _renamed(key):
    return Key(
        "x", **{name: getattr(key, name) for name in key.__dataclass_fields__ if name not in ("path", "_")}
    )


def _plain(value):
    return [_plain(item) for item in value] if isinstance(value, tuple | list) else value
