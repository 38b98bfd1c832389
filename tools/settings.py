"""`farend settings`: all that `farend listen` can be told, in one TOML file; checked, and shown as it is in force."""

import inspect
import json
import os
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, get_args, get_type_hints

import typer
from pydantic import BeforeValidator, Field, ValidationInfo, create_model
from typer.models import OptionInfo

from receiver.book import BookError, Entry, line_of, read_tables
from receiver.journal import public, server_of
from tools.common import OUT, read_host_and_port, stop

SETTINGS = "settings"  # the option that names the file: the one that cannot stand in it

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="One TOML file with everything that `farend listen` can be told.\n\nExample: farend settings check farend.toml",
)
File = Annotated[Path, typer.Argument(metavar="FILE", help="The file of settings.")]


def keys(command: Callable[..., Any]) -> dict[str, tuple[str, Any, OptionInfo]]:
    """What may stand in the file, from the command's own signature: by key the parameter, its type, and its option."""
    hints, found = get_type_hints(command, include_extras=True), {}
    for name in inspect.signature(command).parameters:
        kind, option = get_args(hints[name])
        # In an annotation the first of an option's names stands where its default would.
        names = [one for one in (option.default, *(option.param_decls or ())) if str(one).startswith("--")]
        key = next(iter(names), name).lstrip("-").partition("/")[0].replace("-", "_")
        if name != SETTINGS:
            found[key] = name, kind, option
    return found


def model_of(command: Callable[..., Any]) -> type[Entry]:
    """The model that holds such a file: what the command wants, and nothing else."""
    fields: dict[str, Any] = {}
    for key, (_, kind, option) in keys(command).items():
        many = "list[" in str(kind)
        metavar = option.metavar or ""
        plain: Any = tuple[str, ...] if many else Path if "Path" in str(kind) else kind
        if option.min is not None:
            plain = Annotated[plain, Field(ge=option.min)]
        fields[key] = (Annotated[plain | None, BeforeValidator(_reader(metavar, many, plain is Path))], None)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message='Field name "json"')  # an old method of the base that nobody calls
        return create_model("Settings", __base__=Entry, **fields)


def _reader(metavar: str, many: bool, path: bool) -> Callable[[Any, ValidationInfo], Any]:
    place = any(word in metavar for word in ("FILE", "FOLDER", "PATH", "DIR"))

    def one(value: Any, info: ValidationInfo) -> Any:
        if not isinstance(value, str):
            return value
        if metavar == "HOST:PORT" and read_host_and_port(value) is None:
            raise ValueError(f"{value!r} is not HOST:PORT (IPv6 as [::1]:PORT; a port is 0 to 65535)")
        if place and "://" not in value and server_of(value) is None:  # beside the file, as in the account book
            value = str((info.context or {})["folder"] / value)
        return Path(value) if path else value

    def read(value: Any, info: ValidationInfo) -> Any:
        if not many:
            return one(value, info)
        values = (value,) if isinstance(value, str) else value
        if not isinstance(values, tuple) or not all(isinstance(each, str) for each in values):
            raise ValueError('it must be a list of texts, such as ["one", "another"]')
        return tuple(one(each, info) for each in values)

    return read


def read(path: Path, command: Callable[..., Any]) -> dict[str, Any]:
    """What the file says, by the command's parameters. BookError names each mistake with its line; OSError."""
    try:
        text = path.read_text("utf-8")
    except UnicodeDecodeError as error:
        raise BookError([f"{path}: byte {error.start + 1} is not UTF-8"]) from None
    given = read_tables(model_of(command), text, str(path), path.parent)
    return {
        name: list(value) if isinstance(value, tuple) else value
        for key, (name, _, _) in keys(command).items()
        if (value := getattr(given, key)) is not None
    }


def take(context: typer.Context, path: Path | None) -> Path | None:
    """Put what the file says below what the command line says: the callback of `--settings`."""
    from tools.listen import listen

    if path is not None and not context.resilient_parsing:
        try:
            context.default_map = read(path, listen)
        except BookError as error:
            stop("the settings cannot be used:\n" + "\n".join(error.mistakes))
        except OSError as error:
            stop(f"the settings {path} cannot be read: {error.strerror}")
    return path


@app.command()
def check(file: File) -> None:
    """Check a file of settings: every mistake with the line it stands on. Exit code 1 when there is one.

    Example: farend settings check farend.toml
    """
    from tools.listen import listen

    try:
        found = read(file, listen)
    except OSError as error:
        stop(f"the settings {file} cannot be read: {error.strerror}")
    except BookError as error:
        for mistake in error.mistakes:
            OUT.print(mistake, markup=False, soft_wrap=True)
        raise typer.Exit(1) from None
    OUT.print(f"{file}: no mistake; {len(found)} of {len(keys(listen))} settings", markup=False, soft_wrap=True)


@app.command(context_settings={"ignore_unknown_options": True, "allow_extra_args": True})
def show(
    context: typer.Context,
    file: Annotated[Path | None, typer.Argument(metavar="[FILE]", help="The file of settings.")] = None,
) -> None:
    """Show what would be in force and where each of it comes from, as a file of settings. Options of `listen` may follow.

    Example: farend settings show farend.toml --tcp 127.0.0.1:0
    """
    from tools.listen import listen

    alone = typer.Typer(add_completion=False)
    alone.command("listen")(listen)
    line = [str(file), *context.args] if file and str(file).startswith("-") else context.args
    path = None if file is None or str(file).startswith("-") else file
    made = typer.main.get_command(alone).make_context("listen", [*(("--settings", str(path)) if path else ()), *line])
    text = path.read_text("utf-8") if path else ""
    for key, (name, _, _) in keys(listen).items():
        value, source = made.params.get(name), made.get_parameter_source(name)
        word = source.name if source else "DEFAULT"
        if word == "DEFAULT_MAP":
            where = f"{path}:{line_of(text, (key,))}"
        elif word == "COMMANDLINE":
            where = "the command line"
        else:
            where = "FAREND_JOURNAL" if key == "journal" and "FAREND_JOURNAL" in os.environ else "default"
        said = f"# {key} is not set" if value is None or value == () else f"{key} = {_toml(value)}"
        OUT.print(f"{said:<40}  # {where}", markup=False, soft_wrap=True)


def _toml(value: Any) -> str:
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, bool | int | float):
        return json.dumps(value)
    return json.dumps(public(str(value)), ensure_ascii=False)
