"""The files that a run's rows and events are appended to: segments that grow, and a reserve that was paid for before.

Whole lines only: what a full disk took of one is taken back, so that no file ends in the middle of a row. Nothing
here decides what happens after a failure; `daemon/recording/writer.py` does.
"""

import errno
import os
from contextlib import suppress
from pathlib import Path


class Disk:
    """What the files ask of the system; a test puts one in its place that fails when told to."""

    def write(self, descriptor: int, data: bytes) -> int:
        """Append; returns how many bytes were taken. Raises OSError."""
        return os.write(descriptor, data)

    def write_at(self, descriptor: int, data: bytes, offset: int) -> int:
        """Write at an offset; returns how many bytes were taken. Raises OSError."""
        return os.pwrite(descriptor, data, offset)

    def sync(self, descriptor: int) -> None:
        """Bring a file to the disk. Raises OSError."""
        os.fsync(descriptor)

    def free_bytes(self, folder: Path) -> int:
        """Return how many bytes this user may still write below a folder. Raises OSError."""
        found = os.statvfs(folder)
        return found.f_bavail * found.f_frsize


class Segment:
    """One file that only grows; made new, never opened again and never overwritten."""

    def __init__(self, path: Path, disk: Disk, first: bytes = b"") -> None:
        """Make the file and write its first line; FileExistsError if it is there already, OSError if it cannot be."""
        self.path, self._disk = path, disk
        self._descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_EXCL, 0o644)
        self.size = 0
        try:
            self.append(first)
        except OSError:
            self.close()
            raise

    def append(self, data: bytes) -> None:
        """Append one whole line, or raise OSError and leave no part of it."""
        if not data:
            return
        done = self._disk.write(self._descriptor, data)
        if done != len(data):  # a full disk takes part of a line before it says so
            with suppress(OSError):
                os.ftruncate(self._descriptor, self.size)
            raise OSError(errno.ENOSPC, f"only {done} of {len(data)} bytes were taken")
        self.size += done

    def sync(self) -> None:
        """Bring everything to the disk; an OSError is final, for what it lost may read as written afterwards."""
        self._disk.sync(self._descriptor)

    def astray(self) -> str | None:
        """Say in words if the path no longer leads to this file, or somebody else changed its length."""
        try:
            found = os.stat(self.path)
        except FileNotFoundError:
            return "was deleted"
        except OSError as error:
            return f"cannot be found: {error.strerror}"
        ours = os.fstat(self._descriptor)
        if (found.st_dev, found.st_ino) != (ours.st_dev, ours.st_ino):
            return "was replaced by another file"
        if found.st_size != self.size:
            return f"was changed by somebody else: {found.st_size} bytes, {self.size} were written"
        return None

    def copy_to(self, other: "Segment") -> None:
        """Append all that this file holds to another: what is deleted is still there while it is open."""
        offset = 0
        while block := os.pread(self._descriptor, 1 << 20, offset):
            whole = block[: block.rfind(b"\n") + 1] or block
            other.append(whole)
            offset += len(whole)

    def close(self) -> None:
        """Let the file go; never raises, and nothing can be written by mistake to what gets its number next."""
        descriptor, self._descriptor = self._descriptor, -1
        with suppress(OSError):
            os.close(descriptor)


class Reserve:
    """A file of a fixed size whose blocks were asked for when there were some: it takes lines when the disk is full.

    What is not written yet reads as zeros. On a file system that copies on write a full disk may refuse all the same.
    """

    def __init__(self, path: Path, disk: Disk, size_bytes: int, first: bytes) -> None:
        """Make the file with all its blocks; FileExistsError, or OSError where the disk has no room for it."""
        self.path, self._disk, self._size_bytes = path, disk, size_bytes
        self._descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o644)
        self._end = 0
        self.used = False
        try:
            os.posix_fallocate(self._descriptor, 0, size_bytes)
            self.append(first)
        except OSError:
            self.close()
            raise
        self.used = False

    def append(self, data: bytes) -> None:
        """Write one whole line behind the last one; a part that was taken is written over by the next."""
        if self._end + len(data) > self._size_bytes:
            raise OSError(errno.ENOSPC, f"the reserve of {self._size_bytes} bytes is full")
        done = self._disk.write_at(self._descriptor, data, self._end)
        if done != len(data):
            raise OSError(errno.ENOSPC, f"only {done} of {len(data)} bytes were taken")
        self._end += done
        self.used = True

    def sync(self) -> None:
        """Bring everything to the disk; an OSError is final."""
        self._disk.sync(self._descriptor)

    def astray(self) -> bool:
        """Whether the path no longer leads to this file."""
        try:
            found, ours = os.stat(self.path), os.fstat(self._descriptor)
        except OSError:
            return True
        return (found.st_dev, found.st_ino) != (ours.st_dev, ours.st_ino)

    def close(self) -> None:
        """Let the file go, and remove it if nobody needed it; never raises."""
        descriptor, self._descriptor = self._descriptor, -1
        with suppress(OSError):
            os.close(descriptor)
        if not self.used:
            with suppress(OSError):
                self.path.unlink()
