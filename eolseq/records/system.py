"""The few operating-system calls the record depends on, in one object that a test can make fail."""

from __future__ import annotations

import errno
import fcntl
import os
import re
from pathlib import Path

_OCTAL = re.compile(r"\\([0-7]{3})")
_KEEP_SIZE = 1  # FALLOC_FL_KEEP_SIZE, linux/falloc.h

OVER_NETWORK = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "ncpfs", "afs", "coda", "ceph", "lustre", "glusterfs",
                          "fuse.glusterfs", "fuse.sshfs", "fuse.davfs", "fuse.davfs2", "fuse.s3fs", "fuse.rclone",
                          "fuse.ceph", "fuse.smbnetfs", "fuse.curlftpfs", "fuse.cifs"})
"""Kinds of file systems on which a lock, or a write that was waited for, may not be what it says."""


def kind_of_mount(table: str, path: Path) -> str:
    """The kind of file system of a path by the kernel's table of mounts (proc_pid_mountinfo(5)): the longest fit."""
    best, kind = -1, "unknown"
    for line in table.splitlines():
        before, parted, after = line.partition(" - ")
        fields = before.split(" ")
        if not parted or len(fields) < 5:
            continue
        point = Path(_OCTAL.sub(lambda match: chr(int(match[1], 8)), fields[4]))
        if path.is_relative_to(point) and len(point.parts) >= best:  # of two mounts on one place the later covers
            best, kind = len(point.parts), after.split(" ")[0]
    return kind


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

    def reserve(self, descriptor: int, offset: int, length: int) -> bool:
        """Set disk space aside for a file behind its end, its size unchanged; False where the disk cannot do that.

        OSError (ENOSPC) when there is not so much space.
        """
        import ctypes  # costs milliseconds, and only a station that tests needs it

        call = ctypes.CDLL(None, use_errno=True).fallocate
        if call(descriptor, _KEEP_SIZE, ctypes.c_int64(offset), ctypes.c_int64(length)) == 0:
            return True
        number = ctypes.get_errno()
        if number in (errno.EOPNOTSUPP, errno.ENOSYS):
            return False
        raise OSError(number, os.strerror(number))

    def free_bytes(self, descriptor: int) -> int:
        """How many bytes an ordinary user may still write to the disk that a file is on."""
        found = os.fstatvfs(descriptor)
        return found.f_bavail * found.f_frsize

    def file_system(self, path: Path) -> str:
        """The kind of file system that a path is on, as the kernel names it; ``unknown`` where it does not say."""
        try:
            return kind_of_mount(Path("/proc/self/mountinfo").read_text("utf-8", "surrogateescape"), path.resolve())
        except OSError:
            return "unknown"

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
