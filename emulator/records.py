"""Small classes of named values that do not change, made quickly: a run makes dozens before anything happens.

``dataclasses`` writes and compiles six functions for each class, which takes a millisecond. Here ``__init__`` alone is
written; the others are the same functions for every class. What type checkers know of a dataclass they know of these,
and ``dataclasses.replace``, ``fields`` and ``asdict`` take them.
"""

from collections.abc import Callable, Mapping
from typing import Any, Final, NoReturn, TypeVar, cast, dataclass_transform

__all__ = ["field", "record"]

T = TypeVar("T")


_MISSING: Final[Any] = object()


class _Field:
    """What is said of a field beside its type."""

    __slots__ = ("compare", "default", "default_factory", "init", "repr")

    def __init__(
        self, default: Any, default_factory: Callable[[], Any] | None, init: bool, repr: bool, compare: bool
    ) -> None:
        self.default, self.default_factory, self.init = default, default_factory, init
        self.repr, self.compare = repr, compare


def field(
    *,
    default: Any = _MISSING,
    default_factory: Callable[[], Any] | None = None,
    init: bool = True,
    repr: bool = True,
    compare: bool = True,
) -> Any:
    """Say of a field what its default is or how it is made, and whether ``__init__``, ``repr``, ``==`` leave it out."""
    return _Field(default, default_factory, init, repr, compare)


class _Fields:
    """What ``dataclasses`` knows of the fields of a class, found out when it is first asked for."""

    __slots__ = ("_defaults", "_fields", "_found", "_kinds")

    def __init__(self, kinds: Mapping[str, Any], fields: Mapping[str, _Field], defaults: Mapping[str, Any]) -> None:
        self._kinds, self._fields, self._defaults = kinds, fields, defaults
        self._found: dict[str, Any] = {}

    def __get__(self, one: object, cls: type) -> dict[str, Any]:
        if not self._found:
            import dataclasses

            body: dict[str, Any] = {"__doc__": cls.__name__, "__annotations__": dict(self._kinds), **self._defaults}
            for name, said in self._fields.items():
                how: dict[str, Any] = {"init": said.init, "repr": said.repr, "compare": said.compare}
                if said.default_factory is not None:
                    how["default_factory"] = said.default_factory
                if name in self._defaults:
                    how["default"] = self._defaults[name]
                body[name] = dataclasses.field(**how)
            like: Any = dataclasses.dataclass(init=False, repr=False, eq=False)(type(cls.__name__, (), body))
            self._found = {one.name: one for one in dataclasses.fields(like)}
        return self._found


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def record(cls: type[T]) -> type[T]:
    """Make a class of named values of a class that names them, with slots; nothing of an instance can be changed.

    >>> @record
    ... class Place:
    ...     worker: str
    ...     since: int = 0
    >>> Place("dome-1"), Place("dome-1") == Place("dome-1", 0), Place("dome-1") == Place("dome-2")
    (Place(worker='dome-1', since=0), True, False)
    """
    if any(getattr(base, "_names", ()) for base in cls.__bases__):
        raise TypeError(f"{cls.__qualname__}: a record has no fields but its own: compose, and do not inherit them")
    body = dict(vars(cls))
    body.pop("__dict__", None)
    body.pop("__weakref__", None)
    said = body.get("__annotations__", {})
    names = tuple(name for name, kind in said.items() if not str(kind).startswith("typing.ClassVar"))
    fields: dict[str, _Field] = {name: body.pop(name) for name in names if isinstance(body.get(name), _Field)}
    defaults: dict[str, Any] = {name: body.pop(name) for name in names if name in body}
    defaults |= {name: one.default for name, one in fields.items() if one.default is not _MISSING}
    compared = tuple(name for name in names if name not in fields or fields[name].compare)
    shown = tuple(name for name in names if name not in fields or fields[name].repr)
    given = tuple(name for name in names if name not in fields or fields[name].init)
    body |= {"__slots__": names, "__match_args__": given, "_names": names, "_compared": compared, "_shown": shown}
    body["__dataclass_fields__"] = _Fields({name: said[name] for name in names}, fields, defaults)
    for name, function in _FUNCTIONS.items():
        body.setdefault(name, function)
    made: Any = type(cls.__name__, cls.__bases__, body)
    made.__qualname__ = cls.__qualname__
    made.__init__ = _init(made, given, fields, defaults)
    return cast(type[T], made)


def _init(
    made: type, given: tuple[str, ...], fields: Mapping[str, _Field], defaults: Mapping[str, Any]
) -> Callable[..., None]:
    """Write ``__init__`` of a class: it fills the slots, and calls ``__post_init__`` if there is one."""
    known: dict[str, Any] = {f"_set_{name}": getattr(made, name).__set__ for name in (*given, *fields)}
    arguments, lines = [], []
    for name, one in fields.items():
        if not one.init and one.default_factory is not None:
            known[f"_make_{name}"] = one.default_factory
            lines.append(f" _set_{name}(self, _make_{name}())")
    for name in given:
        factory = fields[name].default_factory if name in fields else None
        if factory is not None:
            known[f"_make_{name}"], known["_MISSING"] = factory, _MISSING
            arguments.append(f"{name}=_MISSING")
            lines.append(f" _set_{name}(self, _make_{name}() if {name} is _MISSING else {name})")
        else:
            if name in defaults:
                known[f"_default_{name}"] = defaults[name]
            arguments.append(f"{name}=_default_{name}" if name in defaults else name)
            lines.append(f" _set_{name}(self, {name})")
    if hasattr(made, "__post_init__"):
        lines.append(" self.__post_init__()")
    text = f"def __init__(self, {', '.join(arguments)}):\n" + "\n".join(lines or [" pass"])
    exec(text, known)
    written: Callable[..., None] = known["__init__"]
    written.__qualname__ = f"{made.__qualname__}.__init__"
    written.__module__ = made.__module__
    return written


def _eq(self: Any, other: Any) -> Any:
    if type(other) is not type(self):
        return NotImplemented
    return all(getattr(self, name) == getattr(other, name) for name in self._compared)


def _hash(self: Any) -> int:
    return hash(tuple([getattr(self, name) for name in self._compared]))


def _repr(self: Any) -> str:
    return f"{type(self).__qualname__}({', '.join([f'{name}={getattr(self, name)!r}' for name in self._shown])})"


def _refuse(self: Any, name: str, value: object = None) -> NoReturn:
    from dataclasses import FrozenInstanceError

    raise FrozenInstanceError(f"{type(self).__qualname__} cannot be changed: {name!r} is what it was made with")


def _state(self: Any) -> list[Any]:
    return [getattr(self, name) for name in self._names]


def _take_state(self: Any, state: list[Any]) -> None:
    for name, value in zip(self._names, state, strict=True):
        object.__setattr__(self, name, value)


_FUNCTIONS: Final[Mapping[str, Callable[..., Any]]] = {
    "__delattr__": _refuse,
    "__eq__": _eq,
    "__getstate__": _state,
    "__hash__": _hash,
    "__repr__": _repr,
    "__setattr__": _refuse,
    "__setstate__": _take_state,
}
