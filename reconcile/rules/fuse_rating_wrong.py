"""The fuse that is fitted is not the one that the appliance asks for."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where the fitted and the required rating differ."""
    for part in assessed.parts_with("fuse", "too large", "too small"):
        required = assessed.case.says_number("required_fuse_rating_a")
        meaning = (
            "A fault or overload may not be cut off before cord or appliance are damaged."
            if part.why == "too large"
            else "It may blow in normal use, and is not what the maker's instructions ask for."
        )
        yield Remark(
            code="fuse_rating_wrong",
            message=f"A {part.value:g} A fuse was seen, the appliance asks for {required:g} A. {meaning}",
            action="Isolate and prove dead, fit the rating that the maker's instructions ask for, state it again.",
            checks=("fuse_rating",),
        )


RULE = Rule(
    codes=("fuse_rating_wrong",),
    about="fitted and required fuse rating differ",
    source="the maker's instructions as stated by a person (common practice)",
    effect="unsatisfactory",
    find=find,
)
