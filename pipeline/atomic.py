"""Replace a file in one step, so that a reader or a killed run never sees half of it."""

import os
import tempfile
from contextlib import contextmanager
from pathlib import Path

__all__ = ["replaced", "write_bytes", "write_if_different"]


@contextmanager
def replaced(path):
    """Give a temporary path beside ``path``; move it into place on success, remove it on failure."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    # The suffix is kept because some writers choose the format by it.
    handle, name = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=path.suffix, dir=path.parent)
    os.close(handle)
    temporary = Path(name)
    # The name is what was wanted: a file that is emptied and filled again is written to disk when it is closed (ext4 does so),
    # and the job would wait for that.
    temporary.unlink()
    try:
        yield temporary
        umask = os.umask(0)
        os.umask(umask)
        temporary.chmod(0o666 & ~umask)
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)


def write_bytes(path, content):
    """Write ``content`` (bytes) to ``path`` atomically."""
    with replaced(path) as temporary:
        temporary.write_bytes(content)


def write_if_different(path, content):
    """Write ``content`` (bytes) unless the file already holds exactly that; return True if written.

    An untouched file keeps its modification time, so nothing that depends on it is made again.
    """
    path = Path(path)
    if path.is_file() and path.read_bytes() == content:
        return False
    write_bytes(path, content)
    return True
