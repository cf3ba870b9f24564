"""The story on one screen: take in, derive, write. Usable from Python; prints nothing."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import pandas as pd

from cli.inputs import Inputs, find_inputs
from ingest.book import Book
from ingest.imports import import_exports, read_book
from ingest.office import Office, read_office, take_office_files
from ingest.profiles import Profile, load_profiles
from reconcile.emit.dataset import Dataset, write_dataset
from reconcile.judging import judge
from reconcile.matching import match_sightings
from reconcile.plan import plan_steps
from reconcile.tables import Brief, Judged, MatchResult
from schemas.check import conform_table
from schemas.errors import InputError, ProvebookError
from schemas.matches import Sightings
