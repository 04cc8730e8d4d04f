"""The house is in order: rules, scripts and stages share names, generated files are fresh, lint is clean."""

import re
import subprocess
import sys
import tomllib

import pytest
from packaging.requirements import Requirement

from pipeline import PROJECT_ROOT
from pipeline.digest import modules_used
from pipeline.kernels import KERNEL_MODULES
from pipeline.settings.document import default_yaml, reference_markdown
from pipeline.settings.tables import SECTIONS, all_keys
from pipeline.usage import SETTINGS_USED

RULES = sorted(
    path.stem for path in (PROJECT_ROOT / "pipeline" / "rules").glob("*.smk") if path.stem != "common"
)

DIRECTIVES = ("input", "output", "params", "log", "threads", "resources", "message", "conda", "script")
"""In the order in which every rule gives them."""


def test_every_rule_has_a_script_and_a_stage_of_its_name():
    scripts = sorted(path.stem for path in (PROJECT_ROOT / "pipeline" / "scripts").glob("*.py"))
    stages = sorted(path.stem for path in (PROJECT_ROOT / "pipeline" / "stages").glob("[a-z]*.py"))
    assert scripts == RULES
    assert set(RULES) <= set(stages)
    assert set(SETTINGS_USED) == set(RULES)


@pytest.mark.parametrize("rule", RULES)
def test_rules_keep_the_order_of_directives_and_name_every_file(rule):
    text = (PROJECT_ROOT / "pipeline" / "rules" / f"{rule}.smk").read_text(encoding="utf-8")
    assert re.findall(r"^rule (\w+):", text, re.MULTILINE) == [rule]
    found = re.findall(r"^    (\w+):", text, re.MULTILINE)
    assert found == [name for name in DIRECTIVES if name in found]
    assert set(found) >= set(DIRECTIVES) - {"input"}
    for block in re.findall(r"^    (?:input|output):\n((?:        .*\n)+)", text, re.MULTILINE):
        entries = [line for line in block.splitlines() if re.match(r" {8}[^\s)]", line)]
        assert all(re.match(r" {8}(\w+=|unpack\()", entry) for entry in entries), entries


def test_the_snakefile_only_includes_and_collects():
    text = (PROJECT_ROOT / "Snakefile").read_text(encoding="utf-8")
    included = re.findall(r'^include: "pipeline/rules/(\w+)\.smk"$', text, re.MULTILINE)
    assert included[0] == "common"
    assert sorted(included[1:]) == RULES
    assert re.findall(r"^rule (\w+):", text, re.MULTILINE) == ["all"]


def test_the_engines_lint_is_clean(processed):
    command = [
        sys.executable,
        "-m",
        "snakemake",
        "--lint",
        "--config",
        f'settings_file="{processed.config.name}"',
    ]
    done = subprocess.run(command, cwd=processed.root, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Congratulations" in done.stdout + done.stderr


def test_every_section_has_a_table_and_every_key_a_sentence():
    assert {key.section for key in all_keys()} == set(SECTIONS)
    for key in all_keys():
        assert key.doc.endswith((".", ")")), key.path


@pytest.mark.parametrize("stage", SETTINGS_USED)
def test_a_stage_is_given_the_sections_that_its_code_reads(stage):
    read = set()
    for module in modules_used(f"pipeline.stages.{stage}"):
        path = PROJECT_ROOT.joinpath(*module.split("."))
        source = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
        read |= set(
            re.findall(r"\bsettings(?:\[|\.get\()[\"'](\w+)[\"']", source.read_text(encoding="utf-8"))
        )
    assert read <= set(SECTIONS)
    # The report prints the whole config, whatever it reads besides.
    assert set(SETTINGS_USED[stage]) == (set(SECTIONS) if stage == "report" else read)


def test_the_config_reference_is_generated_from_the_tables():
    assert (PROJECT_ROOT / "config" / "default.yaml").read_text(encoding="utf-8") == default_yaml()
    assert (PROJECT_ROOT / "config" / "README.md").read_text(encoding="utf-8") == reference_markdown()


def test_lock_files_satisfy_the_project_and_hold_exact_versions_only():
    project = tomllib.loads((PROJECT_ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    runtime, test = (_pins(name) for name in ("requirements.lock", "requirements-test.lock"))
    assert not set(runtime) & set(test)
    _assert_satisfied(project["dependencies"], runtime)
    _assert_satisfied(project["optional-dependencies"]["test"], runtime | test)


def test_the_environment_file_follows_from_the_lock():
    command = [sys.executable, str(PROJECT_ROOT / ".ci" / "lock.py"), "--check"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def _pins(name):
    lines = (PROJECT_ROOT / name).read_text(encoding="utf-8").splitlines()
    pins = [line for line in lines if line and not line.startswith("#")]
    assert all(re.fullmatch(r"[a-z0-9-]+==[\w.]+", pin) for pin in pins), name
    return dict(pin.split("==") for pin in pins)


def _assert_satisfied(requirements, pins):
    for text in requirements:
        requirement = Requirement(text)
        assert requirement.specifier.contains(pins[requirement.name]), text


@pytest.mark.parametrize(
    ("version", "modules", "told"),
    [
        ("3.11", "missing", "on Debian install it with: apt-get install python3-venv"),
        ("3.9", "there", "is Python 3.9, and 3.11 or newer is needed"),
    ],
)
def test_a_base_system_that_lacks_a_piece_is_told_in_one_sentence(tmp_path, version, modules, told):
    python = tmp_path / "python stand-in"
    python.write_text(
        "#!/bin/sh\n"
        'case "$2" in\n'
        f"    *print*) echo {version} ;;\n"
        f"    *version_info*) exit {int(version == '3.9')} ;;\n"
        f"    *ensurepip*) exit {int(modules == 'missing')} ;;\n"
        "esac\n",
        encoding="utf-8",
    )
    python.chmod(0o755)
    done = _make_venv(python, tmp_path / "venv")
    assert done.returncode == 1
    assert told in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert not (tmp_path / "venv").exists()


def test_a_machine_without_python_is_told_in_one_sentence(tmp_path):
    done = _make_venv(tmp_path / "none", tmp_path / "venv")
    assert done.returncode == 1
    assert "apt-get install python3 python3-venv" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def _make_venv(python, folder):
    command = [str(PROJECT_ROOT / ".ci" / "make-venv"), str(python), str(folder)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_every_module_with_compiled_code_is_warmed_before_the_jobs_start():
    compiled = {
        ".".join(path.relative_to(PROJECT_ROOT).with_suffix("").parts)
        for path in (PROJECT_ROOT / "pipeline").rglob("*.py")
        if re.search(r"^@(numba\.)?n?jit", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert set(KERNEL_MODULES) <= compiled
    # What a listed module calls inside its kernels is compiled with them.
    assert compiled <= modules_used(*KERNEL_MODULES)
