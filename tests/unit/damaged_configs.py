"""Configs with slips and with malice, by the seed of a generator."""

import re

__all__ = ["HOSTILE", "WHOLE", "mutated"]

WHOLE = """\
target: {name: "My nebula"}
input:
  folders: [frames]
  ignore: ["*/rejected/*"]
  overrides:
    - {match: "night1/*", image_type: light, exposure_s: 60, start_utc: "2031-05-02T21:00:00", night: "2031-05-02"}
    - match: "*.fit"
      filter: Wide
      binning: "1x1"
      temperature_c: -10
output: {folder: results}
site: {longitude_deg: 11.6, utc_offset_h: null}
camera: {electrons_per_adu: 0.8, read_noise_e: 3.2, cfa_pattern: RGGB}
filter_sets:
  wide:
    role: broadband
    filter_names: ["Wide", "Town Cut"]
    passbands_nm: [[405, 526], [634, 690]]
  duo:
    role: dualband
    filter_names: [Duo-10]
    passbands_nm: [[495.7, 505.7], [651.3, 661.3]]
    line_throughput: {OIII: 0.91}
calibration:
  temperature_tolerance_c: 2.0
  exposure_tolerance: 0.02
run: {seed: 1, memory_gb: 1.0}
"""
"""A config without a mistake that uses every form of value."""

PIECES = (
    "\t", "  ", "\n", "\r", ":", ": ", "- ", "[", "]", "{", "}", ",", "'", '"', "#", "&a ", "*a", "<<: ", "!!int ", "!!binary ", "!!set ",
    "!!python/object:os.system ", "| ", "> ", "%", "@", "`", "?", "---\n", "...\n", "\x00", "\x07", "\ufeff", "\u2028", "é", "\U0001f30c",
    "null", "true", "-1", "1e999", ".nan", ".inf", "0x", "9" * 40, "~", "\\ud800", '"\\ud800"',
)  # fmt: skip
"""What is put into the text, in the place of something or beside it."""

VALUES = (
    "null", "true", "[]", "{}", "[[]]", "{a: {b: c}}", "''", "' '", "-1", "0", "1e999", "-.inf", ".nan", "9" * 5000, "'\\0'", '"\\0"', '"\\ud800"',
    "x" * 5000, "'../..'", "/proc/1/nothing/here", "/dev/null", "/dev/null/below", "frames", "'{filter_set}'", "'*'", "'['", "2031-02-30",
    "'2031-02-30'", "'0000-01-01T00:00'", "[frames, frames, frames/frames]", "!!int x", "!!float x", "!!timestamp x", "!!binary '%'", "!!omap [a]",
    "!!pairs x", "!!set {a, b}", "!unknown x", "&a [*a]", "*nowhere", "wide", "RGGB", "[1, 2]", "[[1, 2, 3]]", "\u202eevil",
)  # fmt: skip
"""What a key is given instead of its value."""


def mutated(text, rng):
    """The text with a change or more of characters, lines or values, as bytes."""
    for _ in range(rng.geometric(0.6)):
        text = CHANGES[rng.integers(len(CHANGES))](text, rng)
    raw = text.encode("utf-8", "surrogatepass")
    if rng.random() < 0.05:
        place = int(rng.integers(0, len(raw) + 1))
        raw = raw[:place] + rng.bytes(int(rng.integers(1, 8))) + raw[place:]
    return raw


def _piece_put_in(text, rng):
    place = rng.integers(0, len(text) + 1)
    return text[:place] + PIECES[rng.integers(len(PIECES))] + text[place + rng.integers(0, 3) :]


def _stretch_lost(text, rng):
    place = rng.integers(0, len(text) + 1)
    return text[:place] + text[place + rng.integers(1, 30) :]


def _line_doubled_moved_or_indented(text, rng):
    lines = text.split("\n")
    line = lines[rng.integers(len(lines))]
    lines.insert(rng.integers(0, len(lines) + 1), " " * rng.integers(0, 5) + line)
    if rng.random() < 0.5:
        lines.remove(line)
    return "\n".join(lines)


def _value_replaced(text, rng):
    lines = text.split("\n")
    number = rng.integers(len(lines))
    key, colon, _ = lines[number].partition(": ")
    lines[number] = key + (colon or ": ") + VALUES[rng.integers(len(VALUES))]
    return "\n".join(lines)


def _inner_value_replaced(text, rng):
    """Of a key inside braces."""
    places = [place for place in range(len(text) - 2) if text[place : place + 2] == ": "]
    if not places:
        return text
    start = places[rng.integers(len(places))] + 2
    stop = min((text.find(mark, start) for mark in ",}\n" if text.find(mark, start) >= 0), default=len(text))
    return text[:start] + VALUES[rng.integers(len(VALUES))] + text[stop:]


def _letter_exchanged(text, rng):
    place = rng.integers(0, len(text))
    return text[:place] + "abcdefgh0123456789 -._/"[rng.integers(23)] + text[place + 1 :]


def _number_replaced(text, rng):
    numbers = list(re.finditer(r"\d+(\.\d+)?", text))
    if not numbers:
        return text
    found = numbers[rng.integers(len(numbers))]
    return text[: found.start()] + f"{10.0 ** rng.uniform(-3, 4):.3g}" + text[found.end() :]


CHANGES = (
    _letter_exchanged,
    _number_replaced,
    _piece_put_in,
    _stretch_lost,
    _line_doubled_moved_or_indented,
    _value_replaced,
    _inner_value_replaced,
)


def _laughs(depth=12, width=12):
    """Aliases of aliases, that stand for width ** depth values."""
    lines = ["a0: &a0 [x]"]
    lines += [f"a{k}: &a{k} [{', '.join([f'*a{k - 1}'] * width)}]" for k in range(1, depth)]
    return "\n".join(lines).encode()


HOSTILE = {
    "empty": b"",
    "only a comment": b"# nothing\n",
    "a list": b"- a\n- b\n",
    "a number": b"7\n",
    "aliases of aliases": _laughs(),
    "very deep": b"a: " + b"[" * 50_000,
    "deep mapping": b"{a: " * 20_000,
    "deep block": "\n".join(" " * k + "a:" for k in range(2000)).encode(),
    "itself": b"a: &a {b: *a}\n",
    "merged with itself": b"input: &a {folders: [frames], <<: *a}\n",
    "very long": b"a: " + b"x" * 3_000_000,
    "many keys": b"\n".join(b"k%d: 1" % k for k in range(12_000)),
    "a picture": bytes(range(256)) * 20,
    "utf-16": WHOLE.encode("utf-16"),
    "latin-1": "target: {name: Kölner Dom}\n".encode("latin-1"),
    "byte order mark": b"\xef\xbb\xbf" + WHOLE.encode(),
    "line ends of two characters": WHOLE.replace("\n", "\r\n").encode(),
    "zeros": b"\0" * 5000,
    "keys that are no words": b"? [a, b]\n: c\n? {x: y}\n: z\nnull: 1\n1.5: 2\ntrue: 3\n",
}
"""Name to content, beside the mutated ones."""
