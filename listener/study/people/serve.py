"""The listening page on this computer, until somebody stops it."""

import asyncio
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from listener.errors import UserError
from listener.settings.watch import PageSettings
from listener.study.lock import alone_in
from listener.study.people.answers import FOLDER
from listener.study.people.app import people_app
from listener.study.people.desk import Desk
from listener.study.stop import signals_held, stoppable
from listener.watch.page.serve import listen, server_for

CONSENT = Path(__file__).parent / "consent.txt"
LOOK_S = 0.2
_CLOSE_WAIT_S = 3.0


def serve_people(desk: Desk, port: int, consent: Path | None, tell: Callable[[str], None]) -> None:
    """Serve until Ctrl-C or SIGTERM. tell: hears the address, once it can be opened.

    port: 0 takes any that is free. Raises UserError when the port or the folder is taken, or the text cannot be read.
    """
    text = read_consent(consent or CONSENT)
    with _alone(desk.folder), served(desk, text, port) as (address, thread):
        tell(address)
        try:
            with stoppable():
                while thread.is_alive():
                    thread.join(LOOK_S)
        except KeyboardInterrupt:
            return
    raise UserError("the page's server ended by itself; start it again, every answer is kept")


@contextmanager
def served(desk: Desk, consent: str, port: int = 0) -> Iterator[tuple[str, threading.Thread]]:
    """The page in a thread of its own: its address and the thread. Raises UserError when the port is taken."""
    page = PageSettings(port=port)
    try:
        listening = listen(page.host, port)
    except OSError as error:
        raise UserError(f"port {port}: the page cannot be served ({error.strerror}); choose another with --port") from None
    server = server_for(people_app(desk, consent, page))
    thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[listening])), name="people", daemon=True)
    with signals_held():
        thread.start()
    try:
        yield f"http://{page.host}:{listening.getsockname()[1]}/", thread
    finally:
        server.should_exit = True
        thread.join(_CLOSE_WAIT_S)
        listening.close()


def read_consent(path: Path) -> str:
    """The text that people agree to. Raises UserError for none, and for one that is no text."""
    try:
        text = path.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise UserError(f"{path}: cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise UserError(f"{path}: is no UTF-8 text") from None
    if not text:
        raise UserError(f"{path}: is empty; write what people are to agree to")
    return text


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """No other page takes answers for this study meanwhile."""
    place = folder / FOLDER
    try:
        place.mkdir(exist_ok=True)
    except OSError as error:
        raise UserError(f"{place}: cannot be made: {error.strerror}") from None
    with alone_in(place, "a page is taking answers for this study already; close it first"):
        yield
