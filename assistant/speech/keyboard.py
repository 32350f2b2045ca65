"""Phrases typed at a terminal that is being drawn upon: keys are read one by one, and the screen shows them."""

import os
import select
import termios
import time
import tty
from typing import TextIO

from assistant.language.grammar import Grammar
from assistant.speech.listen import EndOfInput
from assistant.speech.recognise import Heard

END_KEY = b"\x04"
RUB_OUT_KEYS = (b"\x7f", b"\x08")


class KeyboardListener:
    """A listener on a terminal in character mode; `close` gives the terminal back as it was."""

    def __init__(self, stream: TextIO):
        self._file = stream.fileno()
        self._before = termios.tcgetattr(self._file)
        tty.setcbreak(self._file)
        self._bytes = b""

    def text(self) -> str:
        """What has been typed so far."""
        return self._bytes.decode(errors="ignore")

    def listen(self, grammar: Grammar, timeout_s: float) -> Heard | None:
        until = time.monotonic() + timeout_s
        while (left := until - time.monotonic()) > 0 and select.select([self._file], [], [], left)[0]:
            key = os.read(self._file, 1)
            if key in (b"", END_KEY):
                raise EndOfInput
            if key in RUB_OUT_KEYS:
                self._bytes = self.text()[:-1].encode()
            elif key == b"\n":
                words, self._bytes = " ".join(self.text().split()), b""
                if words:
                    return Heard(words, 1.0, False, 0.0, 0.0, "typed", None)
            else:
                self._bytes += key
                return None  # so that the letter is shown at once
        return None

    def deaf(self, yes: bool) -> None: ...

    def notices(self) -> list[str]:
        return []

    def close(self) -> None:
        termios.tcsetattr(self._file, termios.TCSADRAIN, self._before)
