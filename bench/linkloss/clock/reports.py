"""What becomes of an exception that no coroutine waits for.

asyncio hands it to the loop's exception handler and goes on; so does this loop, with the same
context keys, so that a handler written for asyncio works unchanged (Python library reference,
"Event Loop", section "Error Handling API").
"""

from __future__ import annotations

import traceback
from asyncio import AbstractEventLoop
from asyncio.format_helpers import _format_callback_source
from asyncio.log import logger
from collections.abc import Callable
from typing import Any

from linkloss.clock.handles import ReadyHandle, VirtualTimerHandle

AnyHandle = ReadyHandle | VirtualTimerHandle
ErrorContext = dict[str, Any]
ExceptionHandler = Callable[[AbstractEventLoop, ErrorContext], object]

_TRACEBACKS = {
    "source_traceback": "Object created at (most recent call last):\n",
    "handle_traceback": "Handle created at (most recent call last):\n",
}


def _log_line(key: str, value: Any) -> str:
    if key not in _TRACEBACKS:
        return f"{key}: {value!r}"
    return f"{key}: {_TRACEBACKS[key]}{''.join(traceback.format_list(value)).rstrip()}"


class ExceptionReports(AbstractEventLoop):
    """The exception handler family of the asyncio loop interface."""

    _exception_handler: ExceptionHandler | None = None
    _current_handle: AnyHandle | None = None

    def get_exception_handler(self) -> ExceptionHandler | None:
        """The handler in use, or None for the default one."""
        return self._exception_handler

    def set_exception_handler(self, handler: ExceptionHandler | None) -> None:
        """Use ``handler(loop, context)`` from now on; None brings the default one back.

        Raises TypeError when the handler cannot be called.
        """
        if handler is not None and not callable(handler):
            raise TypeError(f"an exception handler is a callable or None, got {handler!r}")
        self._exception_handler = handler

    def default_exception_handler(self, context: ErrorContext) -> None:
        """Log the context with asyncio's logger, one line for each key."""
        exception = context.get("exception")
        handle = self._current_handle
        if "source_traceback" not in context and handle is not None and handle._source_traceback:
            context["handle_traceback"] = handle._source_traceback
        lines = [context.get("message") or "Unhandled exception in event loop"]
        lines += [
            _log_line(key, context[key])
            for key in sorted(context)
            if key not in {"message", "exception"}
        ]
        exc_info = (type(exception), exception, exception.__traceback__) if exception else False
        logger.error("\n".join(lines), exc_info=exc_info)

    def call_exception_handler(self, context: ErrorContext) -> None:
        """Hand an exception context to the handler; an exception of its own is logged.

        Keys as in asyncio: ``message``, and optionally ``exception``, ``future``, ``task``,
        ``handle``, ``asyncgen`` and others.
        """
        handler = self._exception_handler
        try:
            if handler is None:
                self.default_exception_handler(context)
            else:
                handler(self, context)
        except (SystemExit, KeyboardInterrupt):
            raise
        except BaseException as failure:  # noqa: BLE001 - a handler's mistake must not stop the run
            self._report_failed_handler(handler, failure, context)

    def _report_failed_handler(
        self, handler: ExceptionHandler | None, failure: BaseException, context: ErrorContext
    ) -> None:
        if handler is None:
            logger.error("Exception in default exception handler", exc_info=failure)
            return
        message = "Unhandled error in exception handler"
        try:
            self.default_exception_handler(
                {"message": message, "exception": failure, "context": context}
            )
        except (SystemExit, KeyboardInterrupt):
            raise
        except BaseException:  # noqa: BLE001 - nothing is left to try
            logger.exception("Exception in default exception handler while handling another one")

    def _report_callback(self, handle: AnyHandle, exception: BaseException) -> None:
        source = _format_callback_source(handle._callback, handle._args)
        context: ErrorContext = {
            "message": f"Exception in callback {source}",
            "exception": exception,
            "handle": handle,
        }
        if handle._source_traceback:
            context["source_traceback"] = handle._source_traceback
        self.call_exception_handler(context)
