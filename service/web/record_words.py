"""Words of the records as people say them: what lines of a card say, whether they count, what comparisons found."""

from __future__ import annotations

from flask import Flask

from service.web.texts import _, lazy

WORDS = {
    "renewed": lazy("renewed"),
    "repaired": lazy("repaired"),
    "checked_good": lazy("checked, good"),
    "checked_bad": lazy("checked, bad"),
    "original": lazy("the factory's part"),
    "seen": lazy("seen to work"),
    "clock_changed": lazy("clock changed"),
    "gone": lazy("has left"),
    "failed": lazy("failed"),
    "found_failed": lazy("found failed"),
    "worn_to_limit": lazy("worn to the limit"),
    "scheduled": lazy("on schedule"),
    "while_apart": lazy("while it was apart"),
    "damage": lazy("damage"),
    "secondary": lazy("because of another part"),
    "upgrade": lazy("for a better one"),
    "campaign": lazy("maker's campaign"),
    "misdiagnosis": lazy("wrong diagnosis"),
    "owner_wish": lazy("the owner's wish"),
    "card": lazy("own card"),
    "papers": lazy("from papers"),
    "told": lazy("told"),
    "pattern": lazy("pattern part"),
    "used": lazy("second-hand"),
    "counted": lazy("counted"),
    "in_doubt": lazy("in doubt"),
    "superseded": lazy("corrected since"),
    "set_aside": lazy("set aside"),
    "unknown": lazy("not known"),
    "weak": lazy("weak"),
    "better": lazy("better"),
    "as the others": lazy("as the others"),
    "unclear": lazy("unclear"),
    "not enough data": lazy("not enough data"),
    "false lead": lazy("false lead"),
}


def in_words(word: str) -> str:
    """A word of the records as people say it."""
    return str(WORDS.get(word, word.replace("_", " ")))


def make_in_words(quality: str) -> str:
    """Who made a part, as people say it."""
    return str(_("the maker's part")) if quality == "original" else in_words(quality)


def register_record_words(app: Flask) -> None:
    """Offer it to templates."""
    app.add_template_filter(in_words)
    app.add_template_filter(make_in_words)
