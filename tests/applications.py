"""Applications put together faster: tests make hundreds of them in their processes, a server makes one.

What Litestar reads off the functions of handlers is the same in every application: here it is read once. And it copies
every router that it is given, deeply, in case another application is given it too: `build_app` makes new ones each
time. Templates are compiled once. Where tests start `soakledger dashboard`, all this is as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial
from types import CodeType
from typing import Any
from weakref import WeakKeyDictionary

import litestar.router
import litestar.routes.http
from jinja2 import BytecodeCache, Environment
from jinja2.bccache import Bucket
from litestar._signature import SignatureModel
from litestar.utils.signature import ParsedSignature

import dashboard.app
from dashboard import texts

Function = Callable[..., Any]


class Compiled(BytecodeCache):
    """Templates as they were compiled, by language: a compiler may translate what is constant."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, str, str], CodeType] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        bucket.code = self._kept.get((texts.language(), bucket.key, bucket.checksum))

    def dump_bytecode(self, bucket: Bucket) -> None:
        assert bucket.code
        self._kept[texts.language(), bucket.key, bucket.checksum] = bucket.code


def _same(fn: Function) -> Function | CodeType:
    """What stands for it: Litestar makes a function that answers OPTIONS for each route anew, of the same code."""
    return fn.__code__ if fn.__module__ == litestar.routes.http.__name__ else fn


@cache
def hasten() -> None:
    """For all applications of this process from now on; a third of the time is left."""
    parse, create = ParsedSignature.from_fn, SignatureModel.create
    # Weakly: a function that an application makes for itself holds that application.
    parsed = WeakKeyDictionary[Function | CodeType, dict[int, ParsedSignature]]()
    models = WeakKeyDictionary[Function | CodeType, dict[frozenset[str], type[SignatureModel]]]()

    def parse_once(fn: Function, signature_namespace: dict[str, Any]) -> ParsedSignature:
        of, names = parsed.setdefault(_same(fn), {}), len(signature_namespace)
        if names not in of:
            of[names] = parse(fn, signature_namespace)
        return of[names]

    def create_once(*, fn: Function, dependency_name_set: set[str], **more: Any) -> type[SignatureModel]:
        of, names = models.setdefault(_same(fn), {}), frozenset(dependency_name_set)
        if names not in of:
            of[names] = create(fn=fn, dependency_name_set=dependency_name_set, **more)
        return of[names]

    ParsedSignature.from_fn = parse_once  # type: ignore[assignment, method-assign]
    SignatureModel.create = create_once  # type: ignore[assignment, method-assign]
    litestar.router.deepcopy = lambda router: router
    dashboard.app.Environment = partial(Environment, bytecode_cache=Compiled())  # type: ignore[assignment, misc]
