"""The proxy does to a line what it says, and nothing else: bytes come whole, in order and once, or not at all."""

from __future__ import annotations

import itertools
import socket
import threading
from collections.abc import Callable, Iterator
from random import Random

import pytest

from tests.chaos.proxy import HOST, Plan, Proxy
from tests.chaos.weather import BOTH, Climate, Kind, Phase, Way, phases

LONG_S = 600.0
"""Longer than any test: only something else can end such a phase."""

CONTENT = Random(1).randbytes(3_000)


class Far:
    """The other end: keeps what it gets, piece by piece, and answers with the same."""

    def __init__(self) -> None:
        self._listening = socket.create_server((HOST, 0))
        self.port: int = self._listening.getsockname()[1]
        self.pieces: list[bytes] = []
        self.accepted = self.ended = 0
        self._connections: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listening.accept()
            except OSError:
                return
            self.accepted += 1
            self._connections.append(connection)
            threading.Thread(target=self._answer, args=(connection,), daemon=True).start()

    def _answer(self, connection: socket.socket) -> None:
        try:
            while piece := connection.recv(65_536):
                self.pieces.append(piece)
                connection.sendall(piece)
        except OSError:
            pass
        self.ended += 1
        connection.close()

    def hang_up(self) -> None:
        for connection in self._connections:
            connection.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        for connection in self._connections:
            connection.close()


@pytest.fixture
def far() -> Iterator[Far]:
    one = Far()
    yield one
    one.close()


@pytest.fixture
def through(far: Far) -> Iterator[Callable[..., tuple[Proxy, socket.socket]]]:
    """`through(phase, …)`: a proxy with these phases for every connection, and one connection through it."""
    proxies: list[Proxy] = []
    lines: list[socket.socket] = []

    def connect(*plan: Phase) -> tuple[Proxy, socket.socket]:
        proxies.append(Proxy(far.port, lambda _: iter(plan)))
        proxies[-1].start()
        lines.append(socket.create_connection((HOST, proxies[-1].port), timeout=20))
        return proxies[-1], lines[-1]

    yield connect
    for line in lines:
        line.close()
    for proxy in proxies:
        proxy.close()


def received(line: socket.socket, count: int) -> bytes:
    """So many bytes, or as many as came before the end."""
    came = b""
    while len(came) < count:
        try:
            piece = line.recv(65_536)
        except ConnectionError:
            break
        if not piece:
            break
        came += piece
    return came


def silent(line: socket.socket) -> bool:
    """Nothing comes, and the line stands."""
    line.settimeout(0.3)
    try:
        line.recv(1)
    except TimeoutError:
        return True
    finally:
        line.settimeout(20)
    return False


@pytest.mark.parametrize("kind", [Kind.PLAIN, Kind.DELAY])
def test_everything_comes_through_once_and_in_order(
    kind: Kind, through: Callable[..., tuple[Proxy, socket.socket]]
) -> None:
    proxy, line = through(Phase(kind, LONG_S))
    line.sendall(CONTENT)
    assert received(line, len(CONTENT)) == CONTENT
    assert proxy.happened == {kind: 1}


def test_a_trickling_line_gives_a_few_bytes_at_a_time(
    far: Far, through: Callable[..., tuple[Proxy, socket.socket]]
) -> None:
    _, line = through(Phase(Kind.TRICKLE, LONG_S))
    line.sendall(CONTENT)
    assert received(line, len(CONTENT)) == CONTENT
    assert len(far.pieces) > 20  # it was sent as one


def test_a_cut_line_ends_at_both_ends(
    far: Far, through: Callable[..., tuple[Proxy, socket.socket]], wait_until: Callable[..., None]
) -> None:
    _, line = through(Phase(Kind.CUT))
    assert received(line, 1) == b""
    wait_until(lambda: far.ended == far.accepted == 1)


def test_a_half_open_line_stands_and_says_nothing(
    far: Far, through: Callable[..., tuple[Proxy, socket.socket]], wait_until: Callable[..., None]
) -> None:
    _, line = through(Phase(Kind.SILENT, LONG_S))
    line.sendall(CONTENT)
    wait_until(lambda: far.accepted)
    assert silent(line)
    assert not far.pieces


def test_a_half_open_line_hides_that_the_other_end_is_gone(
    far: Far, through: Callable[..., tuple[Proxy, socket.socket]], wait_until: Callable[..., None]
) -> None:
    _, line = through(Phase(Kind.SILENT, LONG_S))
    wait_until(lambda: far.accepted)
    far.hang_up()
    wait_until(lambda: far.ended)
    assert silent(line)


def test_a_line_half_open_in_one_direction_lets_the_other_through(
    far: Far, through: Callable[..., tuple[Proxy, socket.socket]], wait_until: Callable[..., None]
) -> None:
    _, line = through(Phase(Kind.SILENT, LONG_S, frozenset({Way.DOWN})))
    line.sendall(CONTENT)
    wait_until(lambda: b"".join(far.pieces) == CONTENT)
    assert silent(line)


def test_what_waited_comes_when_a_half_open_line_flows_again(
    through: Callable[..., tuple[Proxy, socket.socket]],
) -> None:
    _, line = through(Phase(Kind.SILENT, 0.2), Phase(Kind.PLAIN, LONG_S))
    line.sendall(CONTENT)
    assert received(line, len(CONTENT)) == CONTENT


def test_what_a_half_open_line_holds_is_gone_when_it_is_cut(
    far: Far, through: Callable[..., tuple[Proxy, socket.socket]]
) -> None:
    """Though the sender's system was told that it had arrived."""
    _, line = through(Phase(Kind.SILENT, 0.2), Phase(Kind.CUT))
    line.sendall(CONTENT)
    assert received(line, 1) == b""
    assert not far.pieces


def test_a_deaf_one_takes_the_connection_and_never_answers(
    far: Far, through: Callable[..., tuple[Proxy, socket.socket]]
) -> None:
    _, line = through(Phase(Kind.DEAF, LONG_S))
    line.sendall(CONTENT)
    assert silent(line)
    assert far.accepted == 0


def test_an_end_that_goes_in_order_is_heard_to_the_last_byte(
    far: Far, through: Callable[..., tuple[Proxy, socket.socket]], wait_until: Callable[..., None]
) -> None:
    _, line = through(Phase(Kind.PLAIN, LONG_S))
    line.sendall(CONTENT)
    line.close()
    wait_until(lambda: far.ended)
    assert b"".join(far.pieces) == CONTENT


def test_nobody_there_is_a_connection_that_ends() -> None:
    with socket.create_server((HOST, 0)) as unused:
        port = unused.getsockname()[1]
    proxy = Proxy(port, lambda _: iter(()))
    proxy.start()
    try:
        with socket.create_connection((HOST, proxy.port), timeout=20) as line:
            assert received(line, 1) == b""
    finally:
        proxy.close()


def test_once_it_is_calm_every_line_is_plain(far: Far) -> None:
    """The one there is as soon as its phase is over, and the new ones at once."""
    plan: Plan = lambda index: iter([Phase(Kind.SILENT, 0.3 if index == 0 else LONG_S), Phase(Kind.CUT)])  # noqa: E731
    proxy = Proxy(far.port, plan)
    proxy.start()
    try:
        for number in range(2):
            with socket.create_connection((HOST, proxy.port), timeout=20) as line:
                line.sendall(CONTENT)
                if number == 0:
                    proxy.calm()
                assert received(line, len(CONTENT)) == CONTENT
        assert proxy.happened[Kind.CUT] == 0
    finally:
        proxy.close()


CLIMATE = Climate(silent_s=(1.0, 4.0))


def drawn(seed: int) -> list[Phase]:
    return list(itertools.islice(phases(Random(seed), CLIMATE), 200))


def test_the_same_seed_gives_the_same_weather() -> None:
    assert [drawn(seed) for seed in range(20)] == [drawn(seed) for seed in range(20)]
    assert len({tuple(drawn(seed)) for seed in range(20)}) > 10


def test_every_kind_of_weather_comes_in_both_directions_and_within_its_bounds() -> None:
    seen = [phase for seed in range(300) for phase in drawn(seed)]
    assert {phase.kind for phase in seen} == set(Kind)
    assert {phase.ways for phase in seen} == {BOTH, frozenset({Way.UP}), frozenset({Way.DOWN})}
    assert all(1.0 <= phase.seconds <= 4.0 for phase in seen if phase.kind in (Kind.SILENT, Kind.DEAF))


def test_a_cut_is_the_last_phase() -> None:
    for seed in range(300):
        assert all(phase.kind is not Kind.CUT for phase in drawn(seed)[:-1])
