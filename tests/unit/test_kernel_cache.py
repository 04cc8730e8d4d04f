"""The folder of compiled kernels changes with all code that they are made of, and with nothing else."""

from pathlib import Path

from pipeline.kernel_cache import kernel_folder


def test_a_constant_of_another_module_gives_another_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    kernel, constants, apart = (tmp_path / f"{name}.py" for name in ("kernel", "constants", "apart"))
    kernel.write_text(
        "from pipeline.numerics.constants import WIDTH\n\n@njit(cache=True)\ndef f(): return WIDTH\n"
    )
    constants.write_text("WIDTH = 3\n")
    apart.write_text("HEIGHT = 3\n")
    first = kernel_folder(tmp_path)
    assert first.parent == tmp_path / "cache" / "duskloom" / "kernels"
    apart.write_text("HEIGHT = 4\n")
    assert kernel_folder(tmp_path) == first
    constants.write_text("WIDTH = 4\n")
    second = kernel_folder(tmp_path)
    assert second != first
    kernel.write_text(kernel.read_text() + "# more\n")
    assert kernel_folder(tmp_path) not in (first, second)


def test_without_a_cache_of_its_own_it_is_below_the_home(tmp_path, monkeypatch):
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    assert kernel_folder(tmp_path).parent == tmp_path / ".cache" / "duskloom" / "kernels"
