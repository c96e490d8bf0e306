"""A page as its markup has it: tags with their attributes, and the fields of each form."""

from __future__ import annotations

from html.parser import HTMLParser
from urllib.parse import urlsplit

# Where a page says what else to load or where to go.
PLACES = ("src", "href", "action", "formaction", "poster", "data", "srcset", "hx-get", "hx-post")

LEADS = ("href", "src", "action", "formaction", "data", "poster", "xlink:href")  # attributes that are addresses


class Page(HTMLParser):
    """The tags of a page in their order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.forms: list[dict[str, str]] = []
        self.fields: list[set[str]] = []
        self.words: list[str] = []
        self._within = ""
        self.feed(html)

    def handle_data(self, data: str) -> None:
        if self._within not in ("option", "script", "style"):
            self.words.append(data)

    def handle_endtag(self, tag: str) -> None:
        self._within = ""

    def text(self) -> str:
        """What a reader sees, choices of lists left out."""
        return " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._within = tag
        found = {name: value or "" for name, value in attrs}
        self.tags.append((tag, found))
        if tag == "form":
            self.forms.append(found)
            self.fields.append(set())
        elif tag in ("input", "button", "select", "textarea") and self.forms:
            self.fields[-1].add(found.get("name", ""))

    def of(self, tag: str) -> list[dict[str, str]]:
        """The attributes of every tag of a kind."""
        return [found for name, found in self.tags if name == tag]

    def elsewhere(self) -> list[str]:
        """Addresses that are not of this server."""
        places = [found[name] for _tag, found in self.tags for name in PLACES if name in found]
        return [place for place in places if urlsplit(place).netloc or urlsplit(place).scheme not in ("", "data")]

    def forms_without_token(self) -> list[dict[str, str]]:
        """Forms that change something without saying that they are ours."""
        return [
            form
            for form, fields in zip(self.forms, self.fields, strict=True)
            if form.get("method", "get").lower() == "post" and "csrf_token" not in fields
        ]

    def inline(self) -> list[str]:
        """What a page would run or style by itself: scripts and styles inside it, handlers, script addresses."""
        found = [tag for tag, at in self.tags if tag == "style" or (tag == "script" and "src" not in at)]
        for tag, at in self.tags:
            found += [f"{tag} {name}" for name in at if name.startswith("on") or name == "style"]
            found += [f"{tag} {name}" for name in LEADS if at.get(name, "").strip().lower().startswith("javascript:")]
        return found
