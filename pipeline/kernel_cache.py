"""Where compiled kernels are kept: a folder for each state of the code that they are made of.

What numba caches of a kernel is bound to the file that the kernel stands in. Of constants and kernels that it takes from
other modules the old values would stay compiled in; so all of that code gives the folder its name.
"""

import hashlib
import os
import re
from pathlib import Path

__all__ = ["folder_is_writable", "kernel_folder"]

IMPORTED = re.compile(rb"^\s*from pipeline\.numerics\.(\w+) import", re.MULTILINE)


def kernel_folder(numerics):
    """Folder for what is compiled of the kernels in the folder ``numerics``.

    Must not load numba, which asks where the cache is when it is imported.
    """
    sources = {path.stem: path.read_bytes() for path in Path(numerics).glob("*.py")}
    wanted = [name for name, source in sources.items() if b"@njit" in source]
    made_of = set()
    while wanted:
        name = wanted.pop()
        if name in sources and name not in made_of:
            made_of.add(name)
            wanted += [found.decode() for found in IMPORTED.findall(sources[name])]
    digest = hashlib.sha256()
    for name in sorted(made_of):
        digest.update(name.encode() + b"\0" + sources[name] + b"\0")
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return cache / "duskloom" / "kernels" / digest.hexdigest()[:16]


def folder_is_writable():
    """Make the folder that numba is told to use, if need be; say whether it can be used."""
    folder = Path(os.environ["NUMBA_CACHE_DIR"])
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return os.access(folder, os.W_OK)
    except OSError:
        return False
