"""What is dear and a pure function of what it is asked: made once per run, by one worker.

    function, what it is asked -> Store.ask -> folder of the run -> a copy of its own for each asker

Nothing is remembered while a test has anything patched, as the function may then be another one;
nor in a test that takes the fixture ``anew``, as those of determinism must.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import os
import pickle
import re
import sys
import types
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from contextlib import contextmanager
from enum import Enum
from pathlib import Path
from typing import Any

import filelock
import numpy as np
import pytest
import shapely

from insole.planning.memory import Memory

__all__ = [
    "STORE",
    "Store",
    "digest",
    "files_asked",
    "folder_asked",
    "remember_plans",
    "remember_writers",
    "scan_asked",
    "watch_patches",
]


class _NoKey(Exception):
    """Something was asked that no key tells apart."""


class Store:
    """Results of one run, by what was asked."""

    def __init__(self) -> None:
        self.folder: Path | None = None
        self._off = 0
        self._patched: set[int] = set()

    @property
    def is_open(self) -> bool:
        return self.folder is not None and not self._off and not self._patched

    @contextmanager
    def closed(self):
        """Make everything anew meanwhile."""
        self._off += 1
        try:
            yield
        finally:
            self._off -= 1

    def patched(self, who: int, on: bool) -> None:
        """Note that somebody has patched something, or has put it back."""
        (self._patched.add if on else self._patched.discard)(who)

    def ask(self, name: str, asked: object, make: Callable[[], Any]) -> Any:
        """Return what `make` gives, made once per run for what was asked."""
        if not self.is_open:
            return make()
        try:
            key = digest((name, asked))
        except _NoKey:
            return make()
        assert self.folder is not None
        path = self.folder / f"{name}-{key}"
        if not path.is_file():
            with filelock.FileLock(f"{path}.lock"):
                if not path.is_file():
                    return self._kept(path, make())
        return pickle.loads(path.read_bytes())

    def _kept(self, path: Path, made: Any) -> Any:
        if not self.is_open:
            return made
        try:
            data = pickle.dumps(made, protocol=pickle.HIGHEST_PROTOCOL)
        except (pickle.PicklingError, AttributeError, TypeError):  # it holds a function
            return made
        beside = path.with_name(f"{path.name}.{os.getpid()}")
        beside.write_bytes(data)
        beside.replace(path)
        return made

    def remember(
        self, module: types.ModuleType, name: str, asked: Callable[..., object] | None = None
    ) -> None:
        """Let a module's function be asked through the store.

        `asked` gets its arguments and returns what tells its results apart; None: all of them.
        """
        real = getattr(module, name)
        label = f"{module.__name__}.{name}"

        @functools.wraps(real)
        def remembered(*args: Any, **more: Any) -> Any:
            try:
                told = (args, more) if asked is None else asked(*args, **more)
            except (OSError, TypeError):  # the function itself says what is wrong
                return real(*args, **more)
            return self.ask(label, told, lambda: real(*args, **more))

        self.put(module, name, remembered)

    @staticmethod
    def put(module: types.ModuleType, name: str, instead: Callable[..., Any]) -> None:
        """Put a function in the place of a module's, wherever it is known."""
        real = getattr(module, name)
        for other in list(sys.modules.values()):  # some have it by its name already
            if other.__name__.startswith(("footscan", "insole")):
                if vars(other).get(name) is real:
                    setattr(other, name, instead)


STORE = Store()


def watch_patches(store: Store) -> None:
    """Tell the store whenever a test patches a module or puts it back."""
    for name in ("setattr", "delattr", "setitem", "delitem"):
        setattr(pytest.MonkeyPatch, name, _telling(store, getattr(pytest.MonkeyPatch, name)))
    undo = pytest.MonkeyPatch.undo

    @functools.wraps(undo)
    def undone(self: pytest.MonkeyPatch) -> None:
        undo(self)
        store.patched(id(self), False)

    pytest.MonkeyPatch.undo = undone


ABOVE = re.compile(  # no remembered function knows of these: import-linter holds the floors
    r"(insole\.(cli|workflow|desk|batch|door)|click|sys"
    r"|footscan\.quality\.pair)(\.|$)"
)


def _above(target: Any) -> bool:
    """Return whether what is patched lies above all that is remembered."""
    if target is os.environ:
        return True
    name = target if isinstance(target, str) else getattr(target, "__name__", None)
    return isinstance(target, str | types.ModuleType) and bool(ABOVE.match(str(name)))


def _telling(store: Store, real: Callable[..., None]) -> Callable[..., None]:
    @functools.wraps(real)
    def told(self: pytest.MonkeyPatch, target: Any, *args: Any, **more: Any) -> None:
        if not _above(target):
            store.patched(id(self), True)
        real(self, target, *args, **more)

    return told


def scan_asked(scan: Any, options: Any, drawn: Any = None) -> object:
    """Return what tells a measured scan: the draw follows from the scan."""
    return scan, options


def files_asked(paths: Any, options: Any = None) -> object:
    """Return names and contents of files, and the options; files that name others tell nothing."""
    files = [Path(path) for path in paths]
    if any(file.suffix.lower() not in (".ply", ".stl") for file in files):
        raise TypeError("what such a file says stands in others too")
    return [(file.name, file.read_bytes()) for file in files], options


class _Known:
    """Things of one process by what they are: the same things are one thing, of the last few."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._found: OrderedDict[str, Any] = OrderedDict()
        self._keys: dict[int, tuple[Any, str]] = {}  # of things that are kept alive here

    def one(self, thing: Any) -> tuple[str, Any]:
        """Return the key of a thing, and the first one that was like it."""
        if thing is None:
            return "", None
        known = self._keys.get(id(thing))
        key = known[1] if known else digest(thing)
        found = self._found.setdefault(key, thing)
        self._found.move_to_end(key)
        self._keys[id(found)] = found, key
        while len(self._found) > self._most:
            _, old = self._found.popitem(last=False)
            self._keys.pop(id(old), None)
        return key, found


class _Few(Memory):
    """What plans have in common, of the last plans of a process."""

    def kept(self, name: str, same: Any, equal: Any, make: Callable[[], Any]) -> Any:
        while len(self._kept) > 64:
            self._kept.pop(next(iter(self._kept)))
        return super().kept(name, same, equal, make)


def remember_plans(store: Store, planner: types.ModuleType) -> None:
    """Let plans be asked through the store, and those of a process share what they have in common.

    As plans do that a fitter changes wish by wish: the planner's own memory. Whoever brings a
    memory or a second process asks about those.
    """
    real, known, memory = planner.plan, _Known(24), _Few()

    @functools.wraps(real)
    def plan(left: Any, right: Any, shoe: Any = None, wishes: Any = None, **more: Any) -> Any:
        partner = more.pop("partner", None)
        if not store.is_open or more.get("memory") or (partner and partner.there):
            more["partner"] = partner
            return real(left, right, shoe, wishes, **more)
        try:
            told = [known.one(thing) for thing in (left, right, shoe, more.get("limits"))]
        except _NoKey:
            return real(left, right, shoe, wishes, **more)
        keys, (left, right, shoe, limits) = zip(*told, strict=True)

        def make() -> Any:
            how = more | {"limits": limits, "memory": memory}
            return pickle.loads(pickle.dumps(real(left, right, shoe, wishes, **how)))

        return store.ask("plan", (keys, wishes, more | {"limits": None}), make)

    store.put(planner, "plan", plan)


def folder_asked(folder: Any, *, name: str = "", of: Any = None) -> object:
    """Return the folder's name and all that is in it."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    bare = [path.relative_to(folder).as_posix() for path in folder.rglob("*")]
    read = [(path.relative_to(folder).as_posix(), path.read_bytes()) for path in files]
    return name or folder.name, of, sorted(bare), read


def remember_writers(store: Store, contents: types.ModuleType) -> None:
    """Let the files of a plan be written from the store; the same bytes are read back once."""
    real = contents.items

    @functools.wraps(real)
    def items(plan: Any, parts: Any, settings: Any, made: Any = None) -> list[Any]:
        if not store.is_open:
            return real(plan, parts, settings, made)

        @functools.cache
        def asked() -> str:
            told = [
                {f.name: getattr(p, f.name) for f in dataclasses.fields(p) if f.name != "solid"}
                for p in parts
            ]
            # which papers there are, and whether solids, is told by the items themselves
            return digest((plan, told, dataclasses.replace(settings, papers=(), step=False)))

        def write(item: Any, path: Path) -> list[Path] | None:
            def make() -> tuple[bool, dict[str, bytes]]:
                written = item.write(path)
                files = [path] if written is None else written
                return written is None, {file.name: file.read_bytes() for file in files}

            if not store.is_open:
                return item.write(path)
            alone, files = store.ask("file", (item.path, path.name, asked()), make)
            for name, data in files.items():
                path.with_name(name).write_bytes(data)
            return None if alone else [path.with_name(name) for name in files]

        def check(item: Any, paths: Sequence[Path]) -> object:
            try:
                told = item.path, [(p.name, p.read_bytes()) for p in paths], asked()
            except OSError:  # the check itself says what is wrong
                return item.check(paths)
            return store.ask("checked", told, lambda: item.check(paths))

        try:
            asked()
        except _NoKey:
            return real(plan, parts, settings, made)
        return [
            dataclasses.replace(
                item, write=functools.partial(write, item), check=functools.partial(check, item)
            )
            for item in real(plan, parts, settings, made)
        ]

    contents.items = items


# ------------------------------------------------------------------ what tells things apart


def digest(asked: object) -> str:
    """Return a key for what was asked, the same in every process."""
    told = hashlib.blake2b(digest_size=16)
    _tell(asked, told.update)
    return told.hexdigest()


def _tell(value: object, say: Callable[[bytes], None]) -> None:
    kind = type(value)
    say(f"<{kind.__module__}.{kind.__qualname__}>".encode())
    if value is None or isinstance(value, bool | int | float | str | bytes | Path | Enum):
        say(value if isinstance(value, bytes) else repr(value).encode())
    elif isinstance(value, np.ndarray):
        if value.dtype.hasobject:
            raise _NoKey
        say(f"{value.dtype} {value.shape} ".encode())
        say(np.ascontiguousarray(value).data.cast("B") if value.size else b"")
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            _tell((field.name, getattr(value, field.name)), say)
    elif isinstance(value, Mapping):
        for key in sorted(value, key=repr):
            _tell((key, value[key]), say)
    elif isinstance(value, list | tuple):
        say(str(len(value)).encode())
        for one in value:
            _tell(one, say)
    elif isinstance(value, set | frozenset):
        _tell(sorted(value, key=repr), say)
    elif isinstance(value, functools.partial):
        _tell((value.func, value.args, value.keywords), say)
    elif hasattr(value, "model_fields_set"):  # a pydantic model
        _tell(dict(value), say)
    elif isinstance(value, types.FunctionType) and not value.__closure__:
        if "<lambda>" in value.__qualname__:
            raise _NoKey
        say(f"{value.__module__}.{value.__qualname__}".encode())
    elif isinstance(value, np.generic):
        say(repr(value).encode())
    elif isinstance(value, shapely.Geometry):
        say(shapely.to_wkb(value))
    else:
        raise _NoKey
