"""Texts that break what takes them for something else than text; none is a statement about any real system.

Kinds after the OWASP Web Security Testing Guide (injection, cross-site scripting, template and path tricks) and
Unicode Technical Report 36 (spoofing, bidirectional controls); written for this project.
"""

from __future__ import annotations

TEXTS = (
    "' OR '1'='1", "x'; DROP TABLE machine; --", '"; DELETE FROM job_line; --', "1) UNION SELECT token FROM a--",
    "%' AND 1=0 --", "\\'; SELECT pg_sleep(9); --", "'||(SELECT 1)||'", "/**/OR/**/1=1", "$1", ":name", "%(name)s", "?",
    "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "\"><svg onload=alert(1)>", "javascript:alert(1)",
    "</title><b>", "&lt;b&gt; &amp; &#x27;", "<!-- x -->", "{{ 7*7 }}", "{% raw %}", "${7*7}", "%s%s%n", "{0}",
    "../../etc/passwd", "..\\..\\x", "file:///x", "C:\\x", "| id", "`id`", "$(id)", "=1+1", "+1", "-1", "@x",
    "null", "None", "undefined", "NaN", "true", "0", "1e400", "0x10", "[]", "{}",
    "\u202egnp.x", "a\u200bb", "\ufeffx", "e\u0301", "\u00e9", "\u0130", "\u1e9e", "\uff07", "\U0001f527", "\u2028x",
    "K\u0307", "\u00a0x", "x\u00a0", "\u3000", "a" * 5_000, "\U0001f527" * 60, "x\ty", "x\ny", "x\r\ny", "\x1b[31m",
    "\x7f", "\x85", "\x00", "a\x00b", "\ud800", "\udfff", "\ud83d", "",
)  # fmt: skip
