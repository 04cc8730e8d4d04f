"""The digest of a step's code follows its imports, and nothing else."""

import pytest

from pipeline.digest import code_digest, modules_used

FILES = {
    "__init__.py": "",
    "stages/__init__.py": "",
    "stages/first.py": "from pipeline.numerics.shared import f\nfrom pipeline import reader\n",
    "stages/second.py": "import os\n\n\ndef run():\n    from ..numerics import alone\n    return alone, os\n",
    "numerics/__init__.py": "",
    "numerics/shared.py": 'from pipeline.numerics import deep\n\nCURVE = "curve.csv"\n',
    "numerics/deep.py": "import numpy\n",
    "numerics/alone.py": "",
    "numerics/unused.py": "",
    "reader.py": "",
    "data/curve.csv": "1,2\n",
    "data/other.csv": "3,4\n",
}

USED_BY = {
    "stages/first.py": {"first"},
    "stages/second.py": {"second"},
    "numerics/shared.py": {"first"},
    "numerics/deep.py": {"first"},
    "numerics/alone.py": {"second"},
    "numerics/unused.py": set(),
    "reader.py": {"first"},
    "data/curve.csv": {"first"},
    "data/other.csv": set(),
    "numerics/__init__.py": {"first", "second"},
}


@pytest.fixture
def package(tmp_path):
    for name, text in FILES.items():
        path = tmp_path / "pipeline" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return tmp_path


def digests(root):
    return {name: code_digest(f"pipeline.stages.{name}", root=root) for name in ("first", "second")}


@pytest.mark.parametrize("edited", USED_BY)
def test_an_edit_changes_the_digests_of_the_steps_that_use_the_file(package, edited):
    before = digests(package)
    path = package / "pipeline" / edited
    path.write_text(path.read_text(encoding="utf-8") + "# edited\n", encoding="utf-8")
    after = digests(package)
    assert {name for name in before if before[name] != after[name]} == USED_BY[edited]


def test_modules_are_followed_through_others_and_into_functions(package):
    assert modules_used("pipeline.stages.second", root=package) == {
        "pipeline",
        "pipeline.stages",
        "pipeline.stages.second",
        "pipeline.numerics",
        "pipeline.numerics.alone",
    }


def test_the_digest_does_not_depend_on_where_the_checkout_lies(package, tmp_path_factory):
    moved = tmp_path_factory.mktemp("else where") / "moved"
    before = digests(package)
    package.rename(moved)
    assert digests(moved) == before


def test_a_module_that_does_not_exist_is_refused(package):
    with pytest.raises(ModuleNotFoundError, match=r"pipeline\.stages\.third"):
        code_digest("pipeline.stages.third", root=package)


def test_data_of_the_real_package_counts():
    root = code_digest.__globals__["PROJECT_ROOT"]
    from pipeline import digest

    named = set(digest._data_files(root / "pipeline" / "qa.py", root))
    assert named == {root / "pipeline" / "qa.schema.json"}
