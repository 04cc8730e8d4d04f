"""Read a YAML file into plain values, remembering the line of each key and every mistake of form."""

import re
from dataclasses import dataclass, field

import yaml

from pipeline.settings.findings import Finding, shown

__all__ = ["Source", "read_source"]


MOST_BYTES = 1_000_000
"""A config is written by hand; a larger file is something else."""

MOST_NODES = 20_000
"""Values that a config may hold, those that stand for others (aliases) counted each time: a few lines of aliases of
aliases could fill any memory."""


DEEPEST = 100
"""So many values inside each other; the deepest key of a config lies six deep."""


class _Loader(yaml.SafeLoader):
    """YAML 1.2's core types: 2031-03-02 and 12:30 stay text, only true and false are flags, 1e-3 is a number.

    (PyYAML follows YAML 1.1, where a filter called "No" would be a flag.) It gives up on what is too much or too deep
    before the time for it, which grows with the square of the depth, is spent.
    """

    yaml_implicit_resolvers = {}

    def __init__(self, text):
        super().__init__(text)
        self._nodes = self._depth = 0

    def compose_node(self, parent, index):
        self._nodes += 1
        self._depth += 1
        if self._nodes > MOST_NODES or self._depth > DEEPEST:
            problem = (
                f"more than {MOST_NODES:,} values"
                if self._nodes > MOST_NODES
                else "values too deep inside each other"
            )
            raise yaml.composer.ComposerError(None, None, problem, self.peek_event().start_mark)
        node = super().compose_node(parent, index)
        self._depth -= 1
        return node


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
    nodes : number of values and keys, as far as they were read
    """

    name: str
    values: dict = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    nodes: int = 0


def read_source(path):
    """Read a config file; never raises, all that is wrong is in ``findings``."""
    source = Source(str(path))
    try:
        with open(path, "rb") as file:
            content = file.read(MOST_BYTES + 1)
        text = content.decode("utf-8-sig")
    except OSError as error:
        return _unreadable(source, f"cannot be read: {(error.strerror or str(error)).lower()}")
    except UnicodeDecodeError as error:
        return _unreadable(source, f"is not UTF-8 text (byte {error.start}); save it as UTF-8")
    except ValueError as error:
        # A name with a character that no name can have.
        return _unreadable(source, f"cannot be read: {error}")
    if len(content) > MOST_BYTES:
        return _unreadable(source, f"is longer than {MOST_BYTES:,} bytes; is it a config?")
    return _parsed(text, source)


def _parsed(text, source):
    """The source with the values of a YAML text."""
    loader = None
    try:
        # The first look for characters that YAML forbids is taken here already.
        loader = _Loader(text)
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
        if loader is not None:
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
    source.nodes += 1
    if source.nodes > MOST_NODES:
        problem = f"more than {MOST_NODES:,} values, those counted that aliases repeat"
        raise yaml.constructor.ConstructorError(None, None, problem, node.start_mark)
    above = (*above, node)
    if isinstance(node, yaml.ScalarNode):
        return _scalar(loader, node)
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


def _scalar(loader, node):
    try:
        value = loader.construct_object(node, deep=True)
        if isinstance(value, str):
            # Half a character, which an escape like "\ud800" can write and nothing can store.
            value.encode()
        return value
    except (ValueError, KeyError, TypeError, AttributeError, ArithmeticError) as error:
        # A tag like !!int before something else, or a number with thousands of digits.
        kind = node.tag.rpartition(":")[2]
        problem = f"found {shown(node.value)}, which is no {kind}"
        raise yaml.constructor.ConstructorError(None, None, problem, node.start_mark) from error
