"""The ledger's file: one JSON line a change, on the disk before anything is sent on the strength of it."""

import contextlib
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from whichhop.daemon.transfer.ledger import Ledger
from whichhop.errors import StoreError


class Journal:
    """A ledger and its file beside the store. Blocking: for a worker thread."""

    def __init__(self, path: Path, today: str) -> None:
        """Read the file, made when missing, and write it anew without past days; StoreError otherwise."""
        self.path = path
        self.ledger = Ledger()
        try:
            with contextlib.suppress(FileNotFoundError):
                for text in path.read_text(encoding="utf-8", errors="replace").splitlines():
                    # The last line may be torn by a crash: what it would have said was never acted upon.
                    with contextlib.suppress(ValueError, KeyError, TypeError):
                        self.ledger.apply(json.loads(text))
            draft = path.with_suffix(path.suffix + ".new")
            with draft.open("w", encoding="utf-8") as file:
                file.writelines(json.dumps(line) + "\n" for line in self.ledger.lines(today))
                file.flush()
                os.fsync(file.fileno())
            draft.replace(path)
            self._file = path.open("a", encoding="utf-8")
        except OSError as trouble:
            raise self._trouble(trouble) from trouble

    def write(self, line: Mapping[str, Any]) -> None:
        """Append one line and wait until it is on the disk; then the ledger takes it over."""
        try:
            self._file.write(json.dumps(dict(line)) + "\n")
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError as trouble:
            raise self._trouble(trouble) from trouble
        self.ledger.apply(line)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def _trouble(self, trouble: OSError) -> StoreError:
        return StoreError(
            f"{self.path}: the budget's journal cannot be kept ({trouble.strerror or trouble}); "
            "no transfer starts until it can: check the folder and the disk"
        )
