"""Static files: hashed names and compressed copies where they were collected, else served from where they are."""

from __future__ import annotations

from typing import Any

from django.contrib.staticfiles.storage import StaticFilesStorage
from whitenoise.storage import CompressedManifestStaticFilesStorage


class CollectedOrPlain(CompressedManifestStaticFilesStorage):
    """One process on one machine needs no collecting: without a manifest an address is the file's own name."""

    def url(self, name: str | None, force: bool = False) -> str:
        if not self.hashed_files:
            return str(StaticFilesStorage.url(self, name))
        return str(super().url(name, force))

    def stored_name(self, name: str) -> Any:
        return super().stored_name(name) if self.hashed_files else name
