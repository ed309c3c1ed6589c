"""What goes wrong in a simulated clinic, each with its chance at a step."""

from __future__ import annotations

from collections.abc import Callable

from tests.simulated.world import World

FULL, LOCKED = "database or disk is full", "database is locked"


def cut(world: World) -> None:
    if alive := world.broker.alive():
        connection = world.rng.choice(alive)
        connection.lose()
        world.say(f"FAULT the connection of {connection.client.name} is cut")


def kill_node(world: World) -> None:
    if node := world.running():
        node.kill()
        again = world.rng.random() < 0.7
        if again:
            node.start()
        else:
            node.next_tick_ms = world.time.now_ms + world.rng.randrange(500, 20_000)
        world.say(f"FAULT {node.name} is killed" + (", starts again" if again else ""))


def stop_node(world: World) -> None:
    if node := world.running():
        node.stop()
        node.next_tick_ms = world.time.now_ms + world.rng.randrange(100, 5_000)
        world.say(f"FAULT {node.name} is stopped in good order")


def reboot_node(world: World) -> None:
    if node := world.running():
        node.kill()
        world.time.pass_ms(world.rng.choice((1_000, 30_000)))
        node.reboot(in_1970=world.rng.random() < 0.5)
        node.next_tick_ms = world.time.now_ms
        world.say(f"FAULT {node.name} reboots, its wall clock {'in 1970' if node.clock.in_1970 else 'right'}")


def damage_card(world: World) -> None:
    """Power goes, and a part of the card turns to nonsense: what still reads is sent, the rest is lost."""
    if node := world.running():
        node.kill()
        gone = node.damage()
        node.reboot(in_1970=False)
        node.next_tick_ms = world.time.now_ms + world.rng.randrange(1_000, 5_000)
        world.say(f"FAULT {node.name} reboots, on its card {gone} are nonsense")


def card_fails(world: World) -> None:
    if node := world.running():
        times = world.rng.choice((1, 1, 2, 6))
        for _ in range(times):
            node.write(failing=FULL)
        world.say(f"FAULT the card of {node.name}: {FULL}, {times} times")


def renew_client(world: World) -> None:
    if node := world.running():
        node.renew_client()
        world.say(f"FAULT {node.name} builds its client anew")


def stall(world: World) -> None:
    world.time.pass_ms(world.rng.choice((500, 1_500, 4_500, 8_000)))
    world.say("FAULT everything stalls")


def step_clock(world: World) -> None:
    if node := world.running():
        world.say(f"FAULT the wall clock of {node.name} steps by {node.clock.step(world.rng)} ms")


def sync_clock(world: World) -> None:
    """A clock that began in 1970 hears the time."""
    node = world.running()
    if node and node.clock.in_1970:
        node.clock.set_right()
        world.say(f"FAULT the wall clock of {node.name} is set right")


def kill_collector(world: World) -> None:
    if world.clinic.running:
        world.say(f"FAULT the collector is killed, {len(world.clinic.unsent)} receipts unsent")
        world.clinic.kill()
        world.clinic.reopen_eyes()


def disk_fails(world: World) -> None:
    if world.clinic.running and world.clinic.waiting:
        problem = world.rng.choice((FULL, LOCKED))
        world.clinic.take(world.rng.randrange(1, 20), failing=problem)
        world.say(f"FAULT the collector's disk: {problem}")


def restart_broker(world: World) -> None:
    forgets = world.rng.random() < 0.6
    world.broker.restart(forgets=forgets)
    world.say(f"FAULT the broker restarts{' and has forgotten everything' if forgets else ''}")


FAULTS: dict[str, tuple[Callable[[World], None], float]] = {
    "cut": (cut, 0.004),
    "kill_node": (kill_node, 0.003),
    "stop_node": (stop_node, 0.001),
    "reboot_node": (reboot_node, 0.002),
    "damage_card": (damage_card, 0.001),
    "card_fails": (card_fails, 0.003),
    "renew_client": (renew_client, 0.001),
    "stall": (stall, 0.003),
    "step_clock": (step_clock, 0.004),
    "sync_clock": (sync_clock, 0.004),
    "kill_collector": (kill_collector, 0.003),
    "disk_fails": (disk_fails, 0.003),
    "restart_broker": (restart_broker, 0.002),
}
"""How often each happens at a step, where a seed has it at all; some have it three times as often."""
