"""Published schemas ready to check many documents: their references are looked up once."""

from __future__ import annotations

from functools import cache
from typing import Any

import jsonschema
from referencing import Registry, Resource

from understave.export.schemas import schema


@cache
def _checker(name: str) -> jsonschema.Draft202012Validator:
    published = schema(name)
    jsonschema.Draft202012Validator.check_schema(published)
    known = Registry().with_resource(published["$id"], Resource.from_contents(published)).crawl()
    return jsonschema.Draft202012Validator(published, registry=known)


def keeps_to(document: Any, name: str) -> None:
    """Raise jsonschema's ValidationError, the first that it finds, unless a document keeps to a schema."""
    for error in _checker(name).iter_errors(document):
        raise error
