"""Takes a part off a machine; what was recorded and what people wrote stays."""

from __future__ import annotations

from install import building, versions
from install.errors import InstallError
from install.hands import Hands, say
from install.places import BROKER, RECOVER, STARTED, UDEV_RULES, UNITS, Part, Places
from install.services import Services
from install.upgrade import Upgrade


def uninstall(part: Part, places: Places, hands: Hands, services: Services) -> None:
    """Stop it, take away units, rules and, with the last part, the program.

    Raises:
        InstallError: It is not installed, or something refused.
    """
    Upgrade(places, hands, services).recover(at_boot=False)
    installed = versions.parts_installed(places)
    if part not in installed:
        raise InstallError(f"No {part} is installed on this machine. Nothing was changed.")
    services.stop(STARTED[part])
    services.disable(STARTED[part])
    for unit in UNITS[part]:
        hands.remove(places.units / unit)
    if part is Part.NODE:
        hands.remove(places.udev / UDEV_RULES)
    else:
        conf = places.mosquitto / "conf.d/soakledger.conf"
        if conf.exists():
            hands.remove(conf)
            services.stop([BROKER])
            services.start([BROKER])
    if installed == (part,):
        services.disable([RECOVER])
        for path in (places.units / RECOVER, places.command, places.current):
            hands.remove(path)
        building.clear(places, hands, ())
    services.reload()
    data = f"{places.node_data}" if part is Part.NODE else f"{places.collector_data}, backups in {places.backups}"
    say(
        f"The {part} is uninstalled. Kept: data in {data}, settings, keys and passwords in {places.etc}, the user "
        "soakledger. Whoever needs none of it any more deletes it by hand."
    )
