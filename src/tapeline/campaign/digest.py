"""A digest of what a job's result depends on, the same for equal content however it was written."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel


def canonical(value: Any, known: Mapping[int, str] | None = None) -> Any:
    """Plain form for hashing: dataclasses and models as sorted mappings, numbers as floats (2 equals 2.0).

    `known` holds digests of parts that many jobs share, by the identity of the part, and these stand in for it.
    """
    if known and id(value) in known:
        return known[id(value)]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: canonical(getattr(value, field.name), known) for field in dataclasses.fields(value)}
    if isinstance(value, BaseModel):
        return {name: canonical(getattr(value, name), known) for name in type(value).model_fields}
    if isinstance(value, Mapping):
        return {str(key): canonical(item, known) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [canonical(item, known) for item in value]
    if isinstance(value, set | frozenset):
        return sorted(canonical(item, known) for item in value)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    return value


def digest_of(job: str, version: int, needs: Any, known: Mapping[int, str] | None = None) -> str:
    """SHA-256 (32 hexadecimal digits of it) over job name, job version and the canonical form of its needs."""
    text = json.dumps(
        [job, version, canonical(needs, known)], sort_keys=True, ensure_ascii=False, separators=(",", ":")
    )
    return hashlib.sha256(text.encode()).hexdigest()[:32]
