"""What a result was made from and with: input digests, software versions, time and memory used."""

import hashlib
import platform
import resource
from functools import cache
from importlib import metadata
from pathlib import Path

from pipeline import __version__

__all__ = ["SOFTWARE_NAME", "file_identity", "peak_rss_mb", "software"]

SOFTWARE_NAME = "Duskloom"
"""Name written into headers and records."""

LIBRARIES = ("numpy", "scipy", "astropy", "numba", "sep", "astroalign", "photutils")
"""Packages whose version can change a number that we write."""

HASH_LIMIT_BYTES = 4_000_000
"""Files up to this size are identified by their SHA-256; larger ones by size and modification time, since
hashing hundreds of raw frames would cost as much as stacking them."""


@cache
def software():
    """Versions, as a flat dict name -> version."""
    versions = {SOFTWARE_NAME.lower(): __version__, "python": platform.python_version()}
    for name in LIBRARIES:
        versions[name] = metadata.version(name)
    return versions


def file_identity(path):
    """Identity of an input: its path with the SHA-256, or with size and modification time if it is big."""
    path = Path(path)
    status = path.stat()
    if status.st_size <= HASH_LIMIT_BYTES:
        return {"path": str(path), "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
    return {"path": str(path), "size": status.st_size, "mtime_ns": status.st_mtime_ns}


def peak_rss_mb():
    """Largest resident memory of this process so far, in units of 10^6 bytes (Linux counts in KiB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6
