"""What one key of the config is: its kind, unit, range, default and meaning."""

from dataclasses import KW_ONLY, dataclass
from typing import Any

__all__ = ["KINDS", "REQUIRED", "Key"]

KINDS = ("number", "integer", "text", "choice", "flag", "list", "mapping", "path")
"""What a value can be: ``flag`` is true or false, ``path`` is text that names a file or folder, ``mapping``
has names of the user's own on its left side."""

REQUIRED = type("Required", (), {"__repr__": lambda self: "REQUIRED"})()
"""Default of a key that every target must give."""


@dataclass(frozen=True)
class Key:
    """One key of the config; all but the path are given by name.

    Attributes
    ----------
    path : where it stands, like "measure.detection_sigma"; inside ``of``, only its own name
    kind : one of ``KINDS``
    doc : a sentence or more for the person who fills in the config
    default : value where the config gives none, or ``REQUIRED``; None needs ``optional``
    unit : unit of a number, or of the numbers in a list
    minimum, maximum : range of a number, both ends allowed; in a list, of each number
    choices : allowed values of a ``choice``; in a list, of each item
    optional : True if null is allowed
    of : what a list or mapping holds: a kind, a ``Key``, or a tuple of keys (each item has all of these)
    length : number of items that a list must have
    pattern : regular expression that a text, or each name on the left side of a mapping, matches completely
    pattern_doc : the pattern in words
    """

    path: str
    _: KW_ONLY
    kind: str
    doc: str = ""
    default: Any = REQUIRED
    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    choices: tuple = ()
    optional: bool = False
    of: "str | Key | tuple[Key, ...] | None" = None
    length: int | None = None
    pattern: str | None = None
    pattern_doc: str = ""

    def __post_init__(self):
        if self.kind not in KINDS:
            raise ValueError(f"{self.path}: kind is one of {KINDS}, not {self.kind!r}")
        if (self.of is not None) != (self.kind in ("list", "mapping")):
            raise ValueError(f"{self.path}: a list or mapping says what it is of, and nothing else does")
        if self.kind == "choice" and not self.choices:
            raise ValueError(f"{self.path}: a choice needs its choices")
        if self.default is None and not self.optional:
            raise ValueError(f"{self.path}: a default of None needs optional=True")

    @property
    def section(self):
        """First part of the path."""
        return self.path.split(".")[0]

    @property
    def name(self):
        """Last part of the path."""
        return self.path.split(".")[-1]

    def item(self):
        """What each item of a list or mapping is, as a ``Key``; not for those of a tuple of keys."""
        if isinstance(self.of, Key):
            return self.of
        return Key(
            self.path,
            kind=self.of,
            unit=self.unit,
            minimum=self.minimum,
            maximum=self.maximum,
            choices=self.choices,
        )
