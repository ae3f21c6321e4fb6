"""An authority of the tests' own, and the certificates that it signs."""

from __future__ import annotations

import subprocess
from pathlib import Path

_KEY = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")


def make_authority(folder: Path, name: str = "ca") -> Path:
    """Its certificate."""
    file = folder / f"{name}.pem"
    subject = f"/CN={name}"
    _openssl("req", "-x509", *_KEY, "-keyout", f"{file}.key", "-out", file, "-days", "2", "-subj", subject)
    return file


def make_certificate(folder: Path, authority: Path, name: str, days: int) -> Path:
    """A certificate for 127.0.0.1, valid for so many days (negative: expired); its key is beside it."""
    file = folder / f"{name}.pem"
    (folder / "names").write_text("subjectAltName=IP:127.0.0.1\n")
    _openssl("req", *_KEY, "-keyout", f"{file}.key", "-out", f"{file}.csr", "-subj", f"/CN={name}")
    _openssl(
        "x509", "-req", "-in", f"{file}.csr", "-CA", authority, "-CAkey", f"{authority}.key",
        "-CAcreateserial", "-days", str(days), "-extfile", folder / "names", "-out", file,
    )  # fmt: skip
    return file


def _openssl(*arguments: str | Path) -> None:
    subprocess.run(["openssl", *arguments], check=True, capture_output=True)
