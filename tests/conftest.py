"""Fixtures for every test."""

from tests.jack_server import jack_server

__all__ = ["jack_server"]
