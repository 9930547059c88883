"""Reading the user's YAML files, and saying in one message everything that is wrong with one."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, get_args, get_origin

import yaml
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    StringConstraints,
    ValidationError,
)
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, PydanticCustomError

from daemon.errors import InputError

LARGEST_BYTES = 256 * 1024
DEEPEST = 12  # our own files need four levels
MOST_FAULTS = 50
NUMBER_FAULTS = {
    "float_type",
    "float_parsing",
    "finite_number",
    "int_type",
    "int_parsing",
    "int_parsing_size",
    "int_from_float",
    "greater_than",
    "greater_than_equal",
    "less_than",
    "less_than_equal",
    "not_a_number",
}
ALLOWED = {
    "model_type": "must be a table of keys and values",
    "dict_type": "must be a table of keys and values",
    "tuple_type": "must be a list",
    "list_type": "must be a list",
    "too_short": "must not be empty",
    "string_type": "must be text (put quotes around it)",
    "string_too_short": "must not be empty",
    "path_type": "must be the path of a file",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
}


def _refuse_bool(value: object) -> object:
    """YAML reads `yes` and `on` as true, and true would pass for the number 1."""
    if isinstance(value, bool):
        raise PydanticCustomError("not_a_number", "must be a number")
    return value


def _printable(value: object) -> object:
    if isinstance(value, str) and not value.isprintable():
        raise PydanticCustomError("not_printable", "must be one line of printable characters")
    return value


def _not_empty(value: tuple[object, ...]) -> tuple[object, ...]:
    """Not `min_length`: that would count a faulty item as one that is not there."""
    if not value:
        raise PydanticCustomError("too_short", "must not be empty")
    return value


NotEmpty = AfterValidator(_not_empty)
Number = Annotated[float, Field(allow_inf_nan=False), BeforeValidator(_refuse_bool)]
WholeNumber = Annotated[int, BeforeValidator(_refuse_bool)]
Line = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=200),
    BeforeValidator(_printable),
]
"""One line of text for people, 1 to 200 characters."""


class _Loader(yaml.SafeLoader):
    """Plain tables, lists, text and numbers: no tags, no aliases, no key twice."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self._depth = 0

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        event: yaml.Event = self.peek_event()  # type: ignore[no-untyped-call]
        if isinstance(event, yaml.AliasEvent):
            raise _at(event.start_mark, "aliases (*name) are not accepted: write the value out")
        tag = getattr(event, "tag", None)
        if tag is not None:
            raise _at(event.start_mark, f"tags (!name) are not accepted: {_shown(tag)}")
        if self._depth >= DEEPEST:
            raise _at(event.start_mark, f"nested deeper than {DEEPEST} levels")
        self._depth += 1
        node = super().compose_node(parent, index)
        self._depth -= 1
        return node

    def construct_object(self, node: yaml.Node, deep: bool = False) -> Any:
        try:
            return super().construct_object(node, deep=deep)
        except (ValueError, OverflowError) as error:  # such as 2026-13-45, or a 5000-digit number
            raise _at(node.start_mark, str(error).partition(":")[0]) from error

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
        seen: set[str] = set()
        for key, _ in node.value:
            if key.tag != "tag:yaml.org,2002:str":
                raise _at(key.start_mark, f"a key must be a word: {_shown(key.value)}")
            if key.value in seen:
                raise _at(key.start_mark, f"the key {_plain(key.value)} is given twice")
            seen.add(key.value)
        return super().construct_mapping(node, deep=deep)


def _at(mark: Any, problem: str) -> yaml.MarkedYAMLError:
    return yaml.MarkedYAMLError(problem=problem, problem_mark=mark)


def read_yaml(path: Path) -> dict[str, Any]:
    """The table of keys and values that a YAML file holds.

    :raises InputError: no such file, not text, not YAML, or not a table; with line and column.
    """
    text = _read_text(path)
    try:
        loader = _Loader(text)
        value = loader.get_single_data()
    except yaml.MarkedYAMLError as error:
        raise InputError(f"{path}: {_where(error)}{_why(error)}") from error
    except yaml.reader.ReaderError as error:
        raise InputError(f"{path}: {_reader_fault(text, error)}") from error
    if value is None:
        raise InputError(f"{path}: the file is empty; it must hold keys and values")
    if not isinstance(value, dict):
        raise InputError(f"{path}: must be a table of keys and values, not {_shown(value)}")
    return value


def _read_text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a zero byte in the path
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"{path}: cannot be read: {reason}") from error
    if len(data) > LARGEST_BYTES:
        raise InputError(f"{path}: larger than {LARGEST_BYTES // 1024} KiB, the most accepted")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(f"{path}: line {line}: not UTF-8 text") from error


def _where(error: yaml.MarkedYAMLError) -> str:
    mark = error.problem_mark or error.context_mark
    return f"line {mark.line + 1}, column {mark.column + 1}: " if mark else ""


def _why(error: yaml.MarkedYAMLError) -> str:
    return ", ".join(part for part in (error.context, error.problem) if part)


def _reader_fault(text: str, error: yaml.reader.ReaderError) -> str:
    before = text[: error.position]
    column = error.position - before.rfind("\n")
    shown = _shown(text[error.position : error.position + 1])
    return f"line {before.count(chr(10)) + 1}, column {column}: character {shown} is not accepted"


def fields_of(model: type[BaseModel], prefix: str = "") -> dict[str, FieldInfo]:
    """Every key a file of this model may hold, dotted, lists without their numbers."""
    found: dict[str, FieldInfo] = {}
    for name, field in model.model_fields.items():
        found[prefix + name] = field
        for inner in _models_in(field.annotation):
            found |= fields_of(inner, f"{prefix}{name}.")
    return found


def _models_in(annotation: object) -> Iterator[type[BaseModel]]:
    if get_origin(annotation) is None:
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            yield annotation
        return
    for part in get_args(annotation):
        yield from _models_in(part)


def describe_faults(path: Path, error: ValidationError, fields: Mapping[str, FieldInfo]) -> str:
    """One line for each fault: file, dotted key, the value found, what is allowed.

    `fields` are the keys the file may hold, as `fields_of` gives them.
    """
    faults = error.errors(include_url=False)
    lines = [_describe(path, fault, fields) for fault in faults[:MOST_FAULTS]]
    if len(faults) > MOST_FAULTS:
        lines.append(f"{path}: and {len(faults) - MOST_FAULTS} more faults")
    return "\n".join(lines)


def _describe(path: Path, fault: ErrorDetails, fields: Mapping[str, FieldInfo]) -> str:
    context = fault.get("ctx", {})
    key = str(context.get("key") or _dotted(fault["loc"]))
    plain_key = ".".join(part for part in fault["loc"] if isinstance(part, str))
    head = f"{path}: {_plain(key)}: " if key else f"{path}: "
    shown = "(not shown)" if key.endswith("token") else _shown(fault["input"])
    kind = fault["type"]
    if kind == "missing":
        return f"{head}missing; this key is required"
    if kind == "extra_forbidden":
        table = plain_key.rpartition(".")[0]
        return f"{head}unknown key (its value is {shown}); known here: {_known(table, fields)}"
    if "key" in context:  # a fault of the whole table that holds the key
        return f"{head}{fault['msg']}"
    return f"{head}{shown} is not allowed; {_allowed(fault, fields.get(plain_key))}"


def _allowed(fault: ErrorDetails, field: FieldInfo | None) -> str:
    kind = fault["type"]
    if kind in NUMBER_FAULTS and field is not None:
        return f"must be {_limits(field)}"
    if kind in ALLOWED:
        return ALLOWED[kind]
    if kind == "value_error":
        return fault["msg"].removeprefix("Value error, ")
    return fault["msg"].replace("Input should", "must").replace("Value should", "must")


def _limits(field: FieldInfo) -> str:
    words = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
    limits = [
        f"{word} {value:.12g}"
        for item in _metadata(field)
        for attribute, word in words.items()
        if (value := getattr(item, attribute, None)) is not None
    ]
    null = " (or null)" if type(None) in get_args(field.annotation) else ""
    return ", ".join(["a number", " and ".join(limits)]).removesuffix(", ") + null


def _metadata(field: FieldInfo) -> Iterator[object]:
    """The limits of a key, also of one that may be null."""
    yield from field.metadata
    for part in get_args(field.annotation):
        for inner in getattr(part, "__metadata__", ()):
            yield inner
            yield from getattr(inner, "metadata", ())


def _known(table: str, fields: Mapping[str, FieldInfo]) -> str:
    prefix = f"{table}." if table else ""
    names = [name.removeprefix(prefix) for name in fields if name.startswith(prefix)]
    return ", ".join(name for name in names if "." not in name)


def _dotted(loc: tuple[int | str, ...]) -> str:
    text = ""
    for part in loc:
        text += f"[{part}]" if isinstance(part, int) else f".{part}"
    return text.removeprefix(".")


def _shown(value: object) -> str:
    """A value as the user would know it again, short enough for one line."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, int) and value.bit_length() > 100:
        return "a number of more than 30 digits"
    text = str(value) if isinstance(value, Path) else repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _plain(text: str) -> str:
    return "".join(char if char.isprintable() else repr(char)[1:-1] for char in text[:120])
