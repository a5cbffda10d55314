"""The stand page: the playing screen as a web page for a tablet on the music stand, served by a process of its own."""

from trainer.page.link import PageLink, PagePress, chart_data, place_data

__all__ = ["PageLink", "PagePress", "chart_data", "place_data"]
