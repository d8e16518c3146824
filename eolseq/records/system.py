"""The few operating-system calls the record depends on, in one object that a test can make fail."""

from __future__ import annotations

import errno
import fcntl
import os
from pathlib import Path


class OperatingSystem:
    """File calls by descriptor, each straight through to the operating system."""

    def open(self, path: Path, flags: int, mode: int = 0o644) -> int:
        """A descriptor of the file."""
        return os.open(path, flags, mode)

    def close(self, descriptor: int) -> None:
        """Give the descriptor back."""
        os.close(descriptor)

    def read(self, descriptor: int, count: int) -> bytes:
        """At most so many bytes from where the descriptor stands."""
        return os.read(descriptor, count)

    def write(self, descriptor: int, data: bytes | memoryview) -> int:
        """Write some of the bytes; how many were taken."""
        return os.write(descriptor, data)

    def fdatasync(self, descriptor: int) -> None:
        """Wait until the file's data, and the size needed to read it back, are on the disk."""
        os.fdatasync(descriptor)

    def fsync(self, descriptor: int) -> None:
        """Wait until the file or folder is on the disk."""
        os.fsync(descriptor)

    def fstat(self, descriptor: int) -> os.stat_result:
        """Size, mode and owner of an open file."""
        return os.fstat(descriptor)

    def rename(self, old: Path, new: Path) -> None:
        """Give a file another name, replacing what had it."""
        os.rename(old, new)

    def link(self, old: Path, new: Path) -> None:
        """Give a file a second name; FileExistsError when the name is taken."""
        os.link(old, new)

    def unlink(self, path: Path) -> None:
        """Take a name away."""
        os.unlink(path)

    def lock(self, descriptor: int) -> bool:
        """Take the file for this process alone; whether that worked, without waiting."""
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def mkdir(self, path: Path, mode: int) -> None:
        """Make a folder in one that exists; one that is there already is left as it is."""
        path.mkdir(mode, exist_ok=True)

    def user(self) -> int:
        """The number of the user this process acts as."""
        return os.geteuid()

    def boot(self) -> str:
        """A text that changes with every start of the computer, so that monotonic times can be compared or not."""
        try:
            return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
        except OSError:
            return "unknown"

    def write_all(self, descriptor: int, data: bytes) -> None:
        """Write every byte, in as many writes as it takes; OSError when a write takes nothing."""
        taken = self.write(descriptor, data)
        while taken < len(data):
            more = self.write(descriptor, memoryview(data)[taken:])
            if more <= 0:
                raise OSError(errno.EIO, "the file takes no more bytes")
            taken += more

    def sync_folder(self, folder: Path) -> None:
        """Wait until the names in a folder are on the disk."""
        descriptor = self.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            self.fsync(descriptor)
        finally:
            self.close(descriptor)
