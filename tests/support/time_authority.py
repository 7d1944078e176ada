"""A time-stamping authority of our own, by openssl, on disk and without a network."""

import subprocess
from pathlib import Path

from support.need import need_program

CONFIG = """\
[tsa]
default_tsa = one
[one]
serial = {folder}/serial
crypto_device = builtin
signer_cert = {folder}/tsa.crt
signer_key = {folder}/tsa.key
signer_digest = sha256
default_policy = 1.3.6.1.4.1.32473.1
digests = sha256
ess_cert_id_alg = sha256
[req]
distinguished_name = dn
x509_extensions = ext
prompt = no
[dn]
CN = Time of Alder House
[ext]
extendedKeyUsage = critical,timeStamping
"""


def openssl(*words: str) -> str:
    done = subprocess.run([need_program("openssl"), *words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def make_authority(folder: Path) -> Path:
    (folder / "conf").write_text(CONFIG.format(folder=folder))
    (folder / "serial").write_text("2A\n")
    openssl(
        *("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-config", str(folder / "conf")),
        *("-keyout", str(folder / "tsa.key"), "-out", str(folder / "tsa.crt")),
    )
    return folder


def stamped(authority: Path, query: bytes) -> bytes:
    (authority / "q.tsq").write_bytes(query)
    openssl(
        *("ts", "-reply", "-config", str(authority / "conf"), "-section", "one"),
        *("-queryfile", str(authority / "q.tsq"), "-out", str(authority / "r.tsr")),
    )
    return (authority / "r.tsr").read_bytes()
