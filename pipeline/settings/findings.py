"""A mistake in a config, as a sentence for the person who wrote the config."""

from dataclasses import dataclass

__all__ = ["Finding", "shown", "summary"]

LONGEST_VALUE = 60
"""Characters of a value that a message repeats; enough to recognise it."""


@dataclass(frozen=True)
class Finding:
    """One mistake.

    Attributes
    ----------
    path : dotted path of the key, empty for the file as a whole
    problem : what is wrong, with the value found
    expected : what would be right, with unit and range
    hint : what to write instead, if it can be guessed
    line : line in the file, from 1, if known
    """

    path: str
    problem: str
    expected: str = ""
    hint: str = ""
    line: int | None = None

    def __str__(self):
        where = self.path + (f" (line {self.line})" if self.line else "")
        text = f"{where}: {self.problem}" if where else self.problem
        if self.expected:
            text += f"; expected {self.expected}"
        return _printable(text + "." + (f" {self.hint}" if self.hint else ""))


def summary(name, findings):
    """All findings about one file as a text of several lines."""
    count = "1 mistake" if len(findings) == 1 else f"{len(findings)} mistakes"
    ordered = sorted(findings, key=lambda finding: (finding.line or 0, finding.path))
    return "\n".join([f"{name}: {count} in the config", *(f"  - {finding}" for finding in ordered)])


def shown(value):
    """A value as it would stand in YAML, shortened."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, dict):
        text = "{" + ", ".join(f"{key}: {shown(item)}" for key, item in value.items()) + "}"
    elif isinstance(value, list | tuple):
        text = "[" + ", ".join(shown(item) for item in value) + "]"
    else:
        text = str(value)
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 3] + "..."


def _printable(text):
    """The text on one line, with what cannot be printed written out."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
