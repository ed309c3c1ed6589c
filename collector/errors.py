"""What can go wrong in the collector, and what to do then.

CollectorError
├── SettingsError      collector.toml is wrong
├── DataError          the data folder or its database cannot be used
├── StartError         something outside (broker, second collector) stops the start
└── BrokerError        the broker, its logins or certificates cannot be set up as asked
"""

from __future__ import annotations


class CollectorError(Exception):
    """Base of the collector's errors; the text says what happened, what it means, what to do next."""

    exit_code = 1


class SettingsError(CollectorError, ValueError):
    """The settings cannot be used."""

    exit_code = 2


class DataError(CollectorError):
    """The data folder or its database cannot be used."""

    exit_code = 3


class StartError(CollectorError):
    """Something outside the collector stops it from starting."""

    exit_code = 4


class BrokerError(CollectorError):
    """The broker, its logins or its certificates cannot be set up as asked."""

    exit_code = 5
