"""Where the program starts: as the command `cabcanary`, and as `python -m cabcanary`.

Ctrl-C leaves no trace from the first line on. So nothing but what the interpreter has built in is imported outside
`main`: the libraries take longer to import than a person takes to think better of it. And in the middle of an import it
waits for the import's end: Python turns an interrupt in there into other errors, or loses it.
"""

import _signal  # type: ignore[import-not-found]  # what `signal` is made of; that one imports more
import _thread
import sys

TYPE_CHECKING = False
if TYPE_CHECKING:
    from types import FrameType

#: As `cabcanary.cli.main` has it.
_FAILED = 1
#: How soon it is looked again whether an import has ended, s.
_AGAIN_S = 0.01
_IMPORTS = "<frozen importlib._bootstrap>"


def main() -> int:
    """Run one command; returns the exit code."""
    try:
        if _signal.getsignal(_signal.SIGINT) is _signal.default_int_handler:
            _signal.signal(_signal.SIGALRM, _ctrl_c)
            _signal.signal(_signal.SIGINT, _ctrl_c)
            sys.unraisablehook = _lost
        from cabcanary.cli.main import main as command

        return command()
    except KeyboardInterrupt:
        return _FAILED
    finally:
        # What is left is Python's own clearing up; a Ctrl-C in it can only make a mess.
        _signal.signal(_signal.SIGINT, _signal.SIG_IGN)


def _ctrl_c(_number: int, frame: "FrameType | None") -> None:
    while frame is not None:
        if frame.f_code.co_filename == _IMPORTS:
            _signal.setitimer(_signal.ITIMER_REAL, _AGAIN_S)
            return
        frame = frame.f_back
    raise KeyboardInterrupt


def _lost(missed: "sys.UnraisableHookArgs") -> None:
    """A Ctrl-C while something was cleared away could not be raised there: it comes again at the next line."""
    if missed.exc_type is KeyboardInterrupt:
        _thread.interrupt_main()
    else:
        sys.__unraisablehook__(missed)


if __name__ == "__main__":
    sys.exit(main())
