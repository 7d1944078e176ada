"""`verify` against forged reports: all with a purpose and 3,000 at random; none may pass, none may end it."""

import contextlib
import io
import random
import sys
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

from bench.figure import Figure
from support.forgeries import Genuine, at_random, purposeful
from support.reported import recorded
from whichhop.cli import main
from whichhop.config.keys import create_key, derive_keys, read_key
from whichhop.lab.standard_home import HOME_FILE
from whichhop.report.seal import public_half
from whichhop.store.store import Store

RANDOM = 3000


def _genuine(folder: Path) -> Genuine:
    home, store = folder / "alder.yaml", folder / "s.db"
    home.write_text(HOME_FILE)
    create_key(folder / "alder.key")
    with Store.open(store) as kept:
        kept.append_all(*recorded("upstream-link"))
    words = ["evidence", str(home), "--store", str(store), "--offline"]
    html, pdf, other = folder / "r.html", folder / "r.pdf", folder / "o.html"
    main([*words, "--html", str(html), "--pdf", str(pdf)])
    main([*words, "--redact", "--html", str(other)])
    return Genuine(
        html=html.read_text(),
        paper=pdf.read_bytes(),
        other_html=other.read_text(),
        secret=derive_keys(read_key(folder / "alder.key")).evidence,
    )


def run() -> list[Figure]:
    """How many forgeries pass."""
    passed: list[str] = []
    codes: Counter[int] = Counter()
    with TemporaryDirectory() as name, contextlib.redirect_stdout(io.StringIO()):
        folder = Path(name)
        true = _genuine(folder)
        trust = public_half(true.secret)
        for kind, path in ((".html", folder / "r.html"), (".pdf", folder / "r.pdf")):
            if main(["verify", str(path), "--trust", trust]) != 0:
                raise RuntimeError(f"the genuine {kind} does not pass")
        (folder / "tsa").mkdir()
        made = purposeful(true, folder / "tsa")
        with contextlib.redirect_stderr(io.StringIO()):
            for forgery in (*made, *at_random(true, random.Random(2026), RANDOM)):
                path = folder / f"forged{forgery.suffix}"
                path.write_bytes(forgery.data)
                code = main(["verify", str(path), "--trust", trust])
                codes[code] += 1
                if code == 0:
                    passed.append(forgery.what)
    for what in passed:
        sys.stderr.write(f"passed: {what}\n")
    beside = {
        "tried": float(codes.total()),
        "with a purpose": float(len(made)),
        "does not hold": float(codes[1]),
        "cannot be read": float(codes[2]),
    }
    return [
        Figure(bench="forgeries", value=len(passed), unit="passed", target=0, ok=not passed, beside=beside)
    ]
