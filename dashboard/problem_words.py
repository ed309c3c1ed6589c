"""What went wrong with a request itself, in the words of somebody at a page. Programs are told otherwise. Pure."""

from __future__ import annotations

from http import HTTPStatus

from dashboard.texts import _


def for_people(status: HTTPStatus, path: str) -> str:
    """What happened and what to do next; empty where this status needs the words of whoever raised it.

    Args:
        status: Of the answer.
        path: What was asked for.
    """
    if status is HTTPStatus.NOT_FOUND:
        text = _(
            "There is nothing at {path}. The address may be mistyped, or what it named is called otherwise. Go on "
            "by the names at the top of this page."
        ).format(path=path[:200])
    elif status is HTTPStatus.METHOD_NOT_ALLOWED:
        text = _("Nothing was recorded: {path} takes nothing. Open the page anew and do it there.").format(
            path=path[:200]
        )
    elif status is HTTPStatus.REQUEST_ENTITY_TOO_LARGE:
        text = _(
            "What was sent is too large, and nothing of it was recorded. Go back: what you typed is still in the form. "
            "Shorten it; a picture may have at most 8 MB."
        )
    elif status in (HTTPStatus.UNPROCESSABLE_ENTITY, HTTPStatus.UNSUPPORTED_MEDIA_TYPE):
        text = _("What was sent is no form of this site. Nothing was recorded. Open the page anew and do it there.")
    elif status is HTTPStatus.TOO_MANY_REQUESTS:
        text = _("There were too many requests within a short time. Wait a minute, then try again.")
    else:
        text = ""
    return text
