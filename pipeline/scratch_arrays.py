"""Large arrays in files that vanish: results too big for the memory of a job until they are written."""

import mmap
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

__all__ = ["ScratchArrays"]


class ScratchArrays:
    """Arrays in a temporary folder; a context manager that removes it.

    Parameters
    ----------
    parent : folder on the disk that the results go to, so that there is as much room as they need
    """

    def __init__(self, parent):
        Path(parent).mkdir(parents=True, exist_ok=True)
        self._folder = TemporaryDirectory(prefix=".scratch-", dir=parent)
        self._arrays = []

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._arrays.clear()
        self._folder.cleanup()

    @property
    def folder(self):
        """Path of the temporary folder."""
        return Path(self._folder.name)

    def zeros(self, shape, dtype):
        """A writable array of zeros; its file is sparse until it is written."""
        path = self.folder / f"{len(self._arrays)}.array"
        self._arrays.append(np.memmap(path, dtype=dtype, mode="w+", shape=shape))
        return self._arrays[-1]

    def release(self):
        """Give the memory of what has been written back to the system; the file keeps it."""
        for array in self._arrays:
            array.flush()
            array._mmap.madvise(mmap.MADV_DONTNEED)
