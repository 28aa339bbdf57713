"""The law that every target obeys: a result, or one of our errors, in bounded time and memory.

No other exception, no logged traceback, no hang, and no message that breaks the contract.
"""

import atexit
import importlib
import logging
import resource
import shutil
import signal
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import FrameType, TracebackType

ROOT = Path(__file__).parents[2]
CORPUS = Path(__file__).with_name("corpus")

# An input that needs longer hangs (s, by the clock); a machine under load is slow, too.
HANGS_AFTER_S = 20.0
# No small input is worth more of the processor (s) or of the memory (MB).
MOST_CPU_S = 2.0
MOST_MB = 400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One thing that is fuzzed.

    Attributes
    ----------
    name, about : str
        What it is called, and what it is in words.
    maker : str
        Module and function that makes what the inputs share and returns what takes one input.
    folder : bool
        Whether it is given a folder for files.
    allowed : tuple of str
        Names of what it may raise besides our errors.
    share : int
        Weight in a campaign.
    tokens : tuple of bytes
        Words of its language.
    guided : bool
        Whether the coverage-guided engine is of use.
    longest : int
        Of an input (bytes).
    most_mb, most_cpu_s : float
        What one input may cost.
    """

    name: str
    about: str
    maker: str
    folder: bool = False
    allowed: tuple[str, ...] = ()
    share: int = 1
    tokens: tuple[bytes, ...] = ()
    guided: bool = True
    longest: int = 600
    most_mb: float = MOST_MB
    most_cpu_s: float = MOST_CPU_S

    def prepare(self) -> Callable[[bytes], None]:
        """Import the target, and nothing of the others."""
        module, _, name = self.maker.partition(":")
        make = getattr(importlib.import_module(f"tests.fuzz.{module}"), name)
        run: Callable[[bytes], None] = make(_folder()) if self.folder else make()
        return run

    def seeds(self) -> list[bytes]:
        """Return the kept inputs, those of mended findings among them."""
        return [path.read_bytes() for path in sorted((CORPUS / self.name).glob("*"))]


@cache
def _folder() -> Path:
    """Return a folder of this process, in memory where the system has such."""
    memory = Path("/dev/shm")
    made = Path(tempfile.mkdtemp(prefix="fuzz-", dir=memory if memory.is_dir() else None))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


@dataclass(frozen=True, slots=True, kw_only=True)
class Breach:
    """How an input broke the law; ``key`` is equal for equal causes."""

    key: str
    story: str


class _HangError(BaseException):
    """Past everything that catches exceptions."""


class _LogEar(logging.Handler):
    """Hears what the code itself takes for a bug."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.heard: list[tuple[str, str]] = []

    def emit(self, record: logging.LogRecord) -> None:
        text = record.getMessage()
        text.encode()  # what no terminal can show
        told = record.exc_info
        if told and told[1] is not None and record.levelno >= logging.WARNING:
            story = "".join(traceback.format_exception(told[1]))
            self.heard.append((_key("logged", told[1], told[2]), f"{text}\n{story}"))
        elif record.levelno >= logging.ERROR:
            self.heard.append((f"logged {record.name}: {str(record.msg)[:60]}", text))

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802
        story = traceback.format_exc()
        self.heard.append((f"unloggable {record.name}: {str(record.msg)[:60]}", story))


class Judge:
    """Holds one target's inputs against the law."""

    def __init__(self, target: Target) -> None:
        self.target = target
        self._ear = _LogEar()
        root = logging.getLogger()
        root.addHandler(self._ear)
        logging.getLogger("polewright").setLevel(logging.DEBUG)
        self._before = signal.signal(signal.SIGALRM, self._alarm)
        self._run = target.prepare()
        # Late, so that an engine may have its instruments in what is imported.
        from polewright.core.errors import PolewrightError

        self._ours = PolewrightError

    def close(self) -> None:
        """Leave the process as it was."""
        logging.getLogger().removeHandler(self._ear)
        logging.getLogger("polewright").setLevel(logging.NOTSET)
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, self._before)

    def breach(self, data: bytes) -> Breach | None:
        """Return how an input breaks the law; None where it does not."""
        self._ear.heard.clear()
        peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        begun_s = time.process_time()
        found: Breach | None = None
        signal.setitimer(signal.ITIMER_REAL, HANGS_AFTER_S)
        try:
            self._run(data)
        except self._ours:
            pass
        except (Exception, _HangError) as error:
            if type(error).__name__ in self.target.allowed:
                return None
            found = _breach("raised", error)
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
        if found is not None:
            return found
        for key, story in self._ear.heard:
            return Breach(key=key, story=story)
        cpu_s = time.process_time() - begun_s
        if cpu_s > self.target.most_cpu_s:
            return Breach(key="slow", story=f"{cpu_s:.1f} s of the processor")
        grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - peak_kb) / 1024.0
        if grown_mb > self.target.most_mb:
            return Breach(key="memory", story=f"{grown_mb:.0f} MB more")
        return None

    def _alarm(self, _number: int, _frame: FrameType | None) -> None:
        raise _HangError


def _breach(what: str, error: BaseException) -> Breach:
    story = "".join(traceback.format_exception(error))
    if isinstance(error, BaseExceptionGroup):
        while isinstance(error, BaseExceptionGroup):
            error = error.exceptions[0]
    return Breach(key=_key(what, error, error.__traceback__), story=story)


def _key(what: str, error: BaseException, trace: TracebackType | None) -> str:
    if isinstance(error, _HangError):
        what = "hang"
    frames = traceback.extract_tb(trace)
    ours = [one for one in frames if "/polewright" in one.filename] or frames
    # A line's number changes with every mend above it.
    place = f"{Path(ours[-1].filename).name} {ours[-1].name}" if ours else "?"
    return f"{what} {type(error).__name__} in {place}"
