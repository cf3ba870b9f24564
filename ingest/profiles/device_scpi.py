"""``kind = "scpi"``: a meter that answers queries after IEEE 488.2, on a serial line or a socket."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from ingest.profiles.device import DeviceProfile, Section
from ingest.profiles.device_lines import SerialSection


class ScpiSection(Section):
    """``[scpi]``: the queries. ``fields`` names the data of one stored record, in order.

    ``records`` answers with a block of records, one a line. ``clock`` answers with text that ``[time] format`` reads;
    ``set_clock`` holds the directives of the time itself, such as ``SYST:TIME %H,%M,%S``. ``protected``: the link
    checks its bytes itself (USB, network), so that nothing has to be read twice.
    """

    send_end: str = Field(default="\n", min_length=1, max_length=2)
    fields: list[str] = Field(default_factory=list)
    live_fields: list[str] = Field(default_factory=list)
    identify: str = "*IDN?"
    count: str = ""
    record: str = ""
    records: str = ""
    live: str = ""
    clock: str = ""
    set_clock: str = ""
    erase: str = ""
    error: str = "SYST:ERR?"
    done: str = "*OPC?"
    protected: bool = False
    first_number: int = Field(default=1, ge=0)
    numbers_wrap_at: int | None = Field(default=None, ge=2)
    at_once: int = Field(default=200, ge=1, le=10_000)

    @model_validator(mode="after")
    def queries_fit(self) -> ScpiSection:
        """Queries end in a question mark and name what they need."""
        for name, places in {"record": ("{number}",), "records": ("{first}", "{last}")}.items():
            query = getattr(self, name)
            missing = [place for place in places if query and place not in query]
            if missing:
                raise ValueError(f"{name} lacks {missing[0]}")
        for name in ("identify", "count", "record", "records", "live", "clock", "error", "done"):
            query = getattr(self, name)
            if query and "?" not in query:
                raise ValueError(f"{name} is no query: it has no question mark")
        for name in ("set_clock", "erase"):
            if "?" in getattr(self, name):
                raise ValueError(f"{name} is a command: it has no question mark")
        if (self.record or self.records) and not self.fields:
            raise ValueError('fields is missing, such as fields = ["record", "date", "time", "test", "value"]')
        if self.records and "record" not in self.fields:
            raise ValueError("a block of records needs the field 'record', so that a lost record is seen")
        if self.live and not self.live_fields:
            raise ValueError('live_fields is missing, such as live_fields = ["test", "value"]')
        return self


class ScpiProfile(DeviceProfile):
    """A meter of IEEE 488.2 queries."""

    kind: Literal["scpi"]
    serial: SerialSection = SerialSection()
    scpi: ScpiSection
    quiet_s: float = Field(default=2.0, gt=0, le=60)

    @model_validator(mode="after")
    def tests_use_the_fields(self) -> ScpiProfile:
        """Every field that a test reads is among those of a record."""
        names = set(self.scpi.fields) | set(self.scpi.live_fields)
        for entry in self.tests:
            if entry.field not in names:
                raise ValueError(f"a test reads field {entry.field!r}; the records have {', '.join(sorted(names))}")
        return self

    @property
    def reads_twice(self) -> bool:
        """A query on a bare serial line has no checksum: each record is read twice and compared."""
        return not self.scpi.protected
