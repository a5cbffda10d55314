"""The stand page: the playing screen as a web page for a tablet on the music stand, served by a process of its own."""

from trainer.page.link import Between, PageLink, PagePress, SongRow

__all__ = ["Between", "PageLink", "PagePress", "SongRow"]
