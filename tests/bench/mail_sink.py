"""A mail server in its own process: says its port, keeps when each mail was accepted and which beds it names.

`python -m tests.bench.mail_sink REPORT` writes its report when it is ended by SIGTERM.
"""

from __future__ import annotations

import asyncio
import json
import re
import signal
import sys
from pathlib import Path

from simulators.smtp_sink import Mail, SmtpSink

BED = re.compile(rb"bed (\d{6})")


async def _main() -> list[tuple[int, list[str], list[int]]]:
    """Take mails until SIGTERM: when, to whom, about which beds."""
    found: list[tuple[int, list[str], list[int]]] = []

    def keep(mail: Mail) -> None:
        found.append((mail.at, list(mail.recipients), sorted({int(bed) for bed in BED.findall(mail.raw)})))
        sink.mails.clear()

    sink = SmtpSink(on_mail=keep)
    stopped = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stopped.set)
    async with sink:
        print(sink.port, flush=True)
        await stopped.wait()
    return found


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(json.dumps(asyncio.run(_main())))
