"""Finished blocks of a run on disk, so that an interrupted run goes on where it stopped."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import shutil
import zipfile
from collections.abc import Iterator, Mapping
from io import BytesIO
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from emergence.errors import EmergenceError

FORMAT = 1
Pieces = Mapping[str, bytes]


class StoreError(EmergenceError):
    """Blocks cannot be kept: another run writes there, or the file system refused."""


def key_of(parts: Any) -> str:
    """Return the checksum of all that a block depends on, given as plain values (JSON)."""
    text = json.dumps([FORMAT, parts], sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def code_checksum() -> str:
    """Return the checksum of the package's own files: a version number alone does not tell a changed formula."""
    digest, root = hashlib.sha256(), Path(__file__).resolve().parents[1]
    for path in sorted(root.rglob("*")):
        if path.suffix in (".py", ".toml", ".json"):
            digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def packed(pieces: Pieces) -> bytes:
    """Return named pieces as one block of bytes; each carries its own checksum (zip)."""
    out = BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as file:
        for name in sorted(pieces):
            file.writestr(zipfile.ZipInfo(name), pieces[name])
    return out.getvalue()


class BlockStore:
    """The finished blocks of one run.

    Parameters
    ----------
    home
        The folder that holds them.
    key
        Checksum of inputs, options and versions (`key_of`): blocks of any other key are removed, never used.
    """

    def __init__(self, home: Path, key: str) -> None:
        self.home = home.resolve()
        self.folder = self.home / f"{FORMAT}-{key[:32]}"

    @contextlib.contextmanager
    def opened(self) -> Iterator[BlockStore]:
        """Hold the store: one run at a time.

        Raises
        ------
        StoreError
            Another run holds it, or the folder cannot be made.
        """
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with FileLock(self.home / "lock", timeout=0):
                self._clear()
                yield self
        except Timeout as error:
            raise StoreError(f"another run is writing into {self.home.parent}; wait for it or stop it") from error
        except OSError as error:
            raise StoreError(f"cannot keep blocks in {self.home}: {error.strerror or error}") from error

    def _clear(self) -> None:
        for path in self.home.iterdir():
            if path.is_dir() and path != self.folder:
                shutil.rmtree(path, ignore_errors=True)
        for path in self.folder.glob("*.part"):
            path.unlink()

    def _path(self, number: int) -> Path:
        return self.folder / f"{number:07d}.zip"

    def done(self, blocks: int) -> set[int]:
        """Return the numbers of the finished blocks; damaged ones are removed."""
        found = set()
        for number in range(blocks):
            path = self._path(number)
            if not path.exists():
                continue
            try:
                with zipfile.ZipFile(path) as file:
                    whole = file.testzip() is None
            except (zipfile.BadZipFile, EOFError, ValueError):
                whole = False
            if whole:
                found.add(number)
            else:
                path.unlink()
        return found

    def put(self, number: int, block: bytes) -> None:
        """Keep a finished block (`packed`), whole or not at all."""
        part = self._path(number).with_suffix(f".{secrets.token_hex(4)}.part")
        with open(part, "wb") as file:
            file.write(block)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, self._path(number))

    def get(self, number: int, *names: str) -> dict[str, bytes]:
        """Return the pieces of a finished block, all or those named."""
        with zipfile.ZipFile(self._path(number)) as file:
            return {name: file.read(name) for name in names or file.namelist()}

    def drop(self) -> None:
        """Remove all blocks; the run is written."""
        shutil.rmtree(self.home, ignore_errors=True)
