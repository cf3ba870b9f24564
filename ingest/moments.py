"""Moments as text: UTC, ISO 8601, microseconds, ``Z``."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path


def format_moment(moment: datetime) -> str:
    """ISO 8601 in UTC with microseconds and ``Z``."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def file_received_at(path: Path) -> datetime:
    """When the bytes of a file reached this computer, as far as its file system knows: its modification time."""
    return datetime.fromtimestamp(path.stat().st_mtime_ns // 1000 / 1e6, tz=UTC)
