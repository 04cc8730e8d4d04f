"""Read a YAML file into plain values, remembering the line of each key and every mistake of form."""

import re
from dataclasses import dataclass, field
from pathlib import Path

import yaml

from pipeline.settings.findings import Finding

__all__ = ["Source", "read_source"]


class _Loader(yaml.SafeLoader):
    """YAML 1.2's core types: 2031-03-02 and 12:30 stay text, only true and false are flags, 1e-3 is a number.

    (PyYAML follows YAML 1.1, where a filter called "No" would be a flag.)
    """

    yaml_implicit_resolvers = {}


for _tag, _pattern, _first in (
    ("bool", r"true|True|TRUE|false|False|FALSE", "tTfF"),
    ("null", r"~|null|Null|NULL|", ["~", "n", "N", ""]),
    ("int", r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+", "-+0123456789"),
    ("float", r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", "-+.0123456789"),
    ("float", r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)", "-+."),
):
    _Loader.add_implicit_resolver(f"tag:yaml.org,2002:{_tag}", re.compile(rf"(?:{_pattern})\Z"), list(_first))


def _integer(loader, node):
    """YAML 1.2: a leading zero means nothing, where YAML 1.1 took the number for an octal one."""
    text = loader.construct_scalar(node)
    return int(text, 0) if text[:2] in ("0o", "0x") else int(text)


_Loader.add_constructor("tag:yaml.org,2002:int", _integer)


@dataclass
class Source:
    """What a YAML file says.

    Attributes
    ----------
    name : the file, as named by the user
    values : plain dict of what could be read
    lines : first line, from 1, of each key, by dotted path ("filter_sets.duo.role", "input.folders[0]")
    findings : mistakes of form: not YAML, a key given twice, ...
    """

    name: str
    values: dict = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)


def read_source(path):
    """Read a config file; never raises, all that is wrong is in ``findings``."""
    source = Source(str(path))
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except OSError as error:
        return _unreadable(source, f"cannot be read: {(error.strerror or str(error)).lower()}")
    except UnicodeDecodeError as error:
        return _unreadable(source, f"is not UTF-8 text (byte {error.start}); save it as UTF-8")
    loader = _Loader(text)
    try:
        root = loader.get_single_node()
        values = {} if root is None else _plain(loader, root, "", source, ())
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f" in line {mark.line + 1}, column {mark.column + 1}" if mark else ""
        problem = getattr(error, "problem", None) or str(error)
        return _unreadable(
            source,
            f"is not valid YAML{where}: {problem}; look there and one line above for a missing colon or "
            "quote, a tab or a wrong indentation",
        )
    finally:
        loader.dispose()
    if isinstance(values, dict):
        source.values = values
    else:
        _unreadable(source, "does not hold `key: value` lines at its top level")
    return source


def _unreadable(source, problem):
    source.findings.append(Finding(path="", problem=f"the file {problem}"))
    return source


def _plain(loader, node, path, source, above):
    """The node as plain values; duplicates keep their first value."""
    if node in above:
        raise yaml.constructor.ConstructorError(None, None, "an alias that contains itself", node.start_mark)
    above = (*above, node)
    if isinstance(node, yaml.ScalarNode):
        return loader.construct_object(node)
    if isinstance(node, yaml.SequenceNode):
        items = []
        for index, item in enumerate(node.value):
            here = f"{path}[{index}]"
            source.lines[here] = item.start_mark.line + 1
            items.append(_plain(loader, item, here, source, above))
        return items
    values = {}
    for key_node, value_node in node.value:
        line = key_node.start_mark.line + 1
        if not isinstance(key_node, yaml.ScalarNode):
            source.findings.append(Finding(path=path, line=line, problem="a key must be a single word"))
            continue
        key = key_node.value
        here = f"{path}.{key}" if path else key
        if key in values:
            source.findings.append(
                Finding(
                    path=here,
                    line=line,
                    problem=f"given twice, first in line {source.lines[here]}",
                    expected="one value; remove one of the two",
                )
            )
            continue
        source.lines[here] = line
        values[key] = _plain(loader, value_node, here, source, above)
    return values
