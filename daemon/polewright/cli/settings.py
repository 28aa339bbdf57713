"""``polewright config``: write a commented settings file, or say what is wrong in one."""

import argparse
from pathlib import Path

from polewright.app.planning import asked_by_settings
from polewright.cli.output import ExitCode, Output
from polewright.core.errors import UsageError, cannot_write
from polewright.program import as_called
from polewright.settings.load import FILE_NAME, find_settings_file, load_settings, usual_places
from polewright.settings.template import default_settings_text


def config(options: argparse.Namespace, output: Output) -> ExitCode:
    """Carry out ``config init`` or ``config check``."""
    if options.action == "init":
        return _init(options.file or options.config or Path(FILE_NAME), output)
    path = find_settings_file(options.file or options.config)
    settings = load_settings(path)
    asked_by_settings(settings)  # its targets are looked up
    if path is None:
        output.result(
            {"ok": True, "file": None},
            "no settings file was found, so every setting has its default; looked for:",
            *(f"  {place.absolute()}" for place in usual_places()),
            "make one here with `polewright config init`, or name one: "
            "`polewright config check FILE`",
        )
        return ExitCode.GOOD
    where = settings.site.place()
    site = "site from the GPS or the mount"
    if where is not None:
        site = f"site {where.latitude_deg:+.4f} {where.longitude_deg:+.4f} deg"
    output.result({"ok": True, "file": str(path)}, f"{path}: good ({site})")
    return ExitCode.GOOD


def _init(path: Path, output: Output) -> ExitCode:
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(as_called(default_settings_text()))
    except FileExistsError:
        raise UsageError(
            f"{path} is there already and was left as it is",
            remedy="Name another file, or move this one away.",
            code="file_exists",
        ) from None
    except OSError as trouble:
        raise cannot_write(path, trouble) from None
    output.result({"ok": True, "file": str(path)}, f"wrote {path}: every key with its meaning")
    return ExitCode.GOOD
