"""Write the reference of the config from the tables of keys: config/default.yaml and config/README.md."""

import textwrap
from itertools import groupby
from pathlib import Path

import yaml

from pipeline.atomic import write_if_different
from pipeline.settings.keys import REQUIRED
from pipeline.settings.tables import all_keys, section_doc
from pipeline.settings.validate import expectation

__all__ = ["default_yaml", "reference_markdown", "stale_files", "write_reference"]

WIDTH = 110
"""Characters of a comment line."""

DEFAULT_HEAD = """\
# Every key of the config with its meaning, range and default. GENERATED from pipeline/settings/tables by
# `make config-docs`; do not edit. A target's own file gives only what differs, and those marked REQUIRED.
# Relative paths start at the folder from which the pipeline is started.
"""

README_HEAD = """\
# The config

*Generated from `pipeline/settings/tables` by `make config-docs`; do not edit.*

One YAML file describes one target. It gives the keys marked **required** and whatever else differs from the
defaults. `python -m pipeline validate FILE` lists every mistake in it, `python -m pipeline check FILE` shows
what the pipeline takes each frame for, `python -m pipeline run FILE` does the work. Relative paths start at
the folder from which the pipeline is started. All keys with their defaults, as YAML: `default.yaml`.

The smallest useful file, for a colour camera with a broadband and a dual-band filter:

```yaml
target: {name: My nebula}
input: {folders: [/data/my-nebula, /data/calibration]}
output: {folder: /data/my-nebula-results}
filter_sets:
  broad:
    role: broadband
    filter_names: [Broad A, broad]
  duo:
    role: dualband
    filter_names: [Duo 10nm]
    passbands_nm: [[495.7, 505.7], [651.3, 661.3]]
```

`filter_names` holds what the FILTER header says, or how the folder is called. A filter set may be missing on
some nights or altogether; the pipeline does what the rest allows and says what it does not.
"""


def write_reference(folder):
    """Write both files into ``folder``; return the paths of those that changed."""
    return [path for path, text in _files(folder) if write_if_different(path, text.encode())]


def stale_files(folder):
    """Paths of the files in ``folder`` that are not what the tables say."""
    return [path for path, text in _files(folder) if not path.is_file() or path.read_bytes() != text.encode()]


def default_yaml():
    """Text of default.yaml."""
    parts = [DEFAULT_HEAD]
    for section, keys in _sections():
        parts.append("\n" + _comment(section_doc(section), ""))
        keys = list(keys)
        if keys[0].path == section:
            parts.append(_key_yaml(keys[0], ""))
            continue
        parts.append(f"{section}:\n")
        above = ()
        for key in keys:
            branch = tuple(key.path.split(".")[1:-1])
            for depth, name in enumerate(branch):
                if branch[: depth + 1] != above[: depth + 1]:
                    parts.append("  " * (depth + 1) + f"{name}:\n")
            above = branch
            parts.append(_key_yaml(key, "  " * (len(branch) + 1)))
    return "".join(parts)


def reference_markdown():
    """Text of README.md."""
    parts = [README_HEAD]
    for section, keys in _sections():
        parts.append(f"\n## {section}\n\n{section_doc(section)}\n\n")
        parts.append("| key | value | default | meaning |\n|---|---|---|---|\n")
        for key in keys:
            if key.path != section:
                parts.append(_row(key, key.path))
            if isinstance(key.of, tuple):
                item = f"{key.path}[n]" if key.kind == "list" else f"{key.path}.NAME"
                if key.path == section:
                    parts.append(
                        f"| `{item}` | {_cell(_value_words(key))} | **required** | {_cell(key.doc)} |\n"
                    )
                parts.extend(_row(inner, f"{item}.{inner.path}") for inner in key.of)
    return "".join(parts)


def _files(folder):
    folder = Path(folder)
    return [(folder / "default.yaml", default_yaml()), (folder / "README.md", reference_markdown())]


def _sections():
    return groupby(all_keys(), key=lambda key: key.section)


def _key_yaml(key, indent):
    """A key with its comment; a required one stands as a comment itself, as it has no default."""
    text = _comment(f"{key.doc} Expects {expectation(key)}.", indent)
    if isinstance(key.of, tuple):
        head = "- each entry" if key.kind == "list" else "NAME"
        text += _comment(f"{head}:", indent)
        for inner in key.of:
            default = " REQUIRED" if inner.default is REQUIRED else f" Default {_yaml(inner.default)}."
            text += _comment(
                f"{inner.path}: {inner.doc} Expects {expectation(inner)}.{default}", indent, inner="    "
            )
    if key.default is REQUIRED:
        return text + f"{indent}# {key.name}: REQUIRED\n"
    return text + f"{indent}{key.name}: {_yaml(key.default)}\n"


def _comment(text, indent, *, inner=""):
    start = f"{indent}# {inner}"
    return (
        textwrap.fill(
            text,
            WIDTH,
            initial_indent=start,
            subsequent_indent=start + ("  " if inner else ""),
            break_long_words=False,
            break_on_hyphens=False,
        )
        + "\n"
    )


def _row(key, path):
    default = "**required**" if key.default is REQUIRED else f"`{_yaml(key.default)}`"
    return f"| `{path}` | {_cell(_value_words(key))} | {default} | {_cell(key.doc)} |\n"


def _value_words(key):
    if isinstance(key.of, tuple):
        return "a list of entries" if key.kind == "list" else f"an entry for each NAME ({key.pattern_doc})"
    return expectation(key)


def _cell(text):
    return " ".join(text.split()).replace("|", "\\|")


def _yaml(value):
    """A value on one line of YAML."""
    if isinstance(value, tuple):
        value = list(value)
    text = yaml.safe_dump(value, default_flow_style=True, width=10_000, sort_keys=False, allow_unicode=True)
    return text.removesuffix("\n").removesuffix("\n...")
