"""Is a folder on a network file system? Read from the kernel's list of mounts.

SQLite's write-ahead log needs shared memory between all users of the file, and locks that work:
on a network it has neither (https://www.sqlite.org/wal.html, "Disadvantages" 2;
https://www.sqlite.org/faq.html, question 5).
"""

from __future__ import annotations

import re

__all__ = ["network_type"]

_NETWORK = frozenset(
    {
        "9p", "acfs", "afs", "beegfs", "ceph", "cifs", "coda", "davfs", "gfs2", "glusterfs", "gpfs",
        "lustre", "ncp", "ncpfs", "nfs", "nfs4", "ocfs2", "orangefs", "pvfs2", "smb2", "smb3",
        "smbfs",
    }
)  # fmt: skip

_NETWORK_FUSE = frozenset(
    {
        "ceph", "cephfs", "curlftpfs", "davfs", "davfs2", "gcsfuse", "glusterfs", "gvfsd-fuse",
        "httpfs", "rclone", "s3fs", "sshfs", "smbnetfs",
    }
)  # fmt: skip

_OCTAL = re.compile(r"\\([0-7]{3})")


def network_type(folder: str, mountinfo: str) -> str | None:
    """The file-system type behind `folder` when it is a network's, else None.

    `folder`: absolute, links resolved. `mountinfo`: the text of /proc/self/mountinfo (proc(5):
    field 5 is the mount point, with blanks as octal escapes; the type follows a lone hyphen).
    Of several mounts at one place the last one counts, as it covers the others.
    """
    longest, found = -1, ""
    for line in mountinfo.splitlines():
        before, hyphen, after = line.partition(" - ")
        fields = before.split(" ")
        if not hyphen or len(fields) < 5:
            continue
        point = _OCTAL.sub(lambda octal: chr(int(octal.group(1), 8)), fields[4])
        if len(point) >= longest and _holds(point, folder):
            longest, found = len(point), after.split(" ")[0]
    kind, dot, below = found.partition(".")
    if found in _NETWORK or (dot and kind.startswith("fuse") and below in _NETWORK_FUSE):
        return found
    return None


def _holds(point: str, folder: str) -> bool:
    return point == "/" or folder == point or folder.startswith(point.rstrip("/") + "/")
