"""Words that break things: formulas, mark-up, paths, look-alikes, controls, templates; and numbers and TOML values."""

from __future__ import annotations

from hypothesis import strategies as st

TAG = "nightclampx"  # no page has this element or attribute, unless a text was taken for mark-up
CANARY = "canary-of-nightclamp"  # no case may leave a file of this name
NASTY = (
    "=1+1", "+1", "-1+1", "@SUM(A1)", "=cmd|' /C calc'!A0", f"=HYPERLINK(\"file:///{CANARY}\")", "\t=1+1",
    "\r=1", " =1+1", " \ufeff=1+1", "\u200b=1", "\uff1d1+1", "\uff0b1", "\uff20SUM(1)", "a;=1+1",
    "a\n=1+1", "a\t@x", "'=1", '"=1', "\u00a0=1", "-", "=", "%0A=1",
    f"<{TAG}>", f"\"><{TAG} on{TAG}=1>", f"<script>{TAG}</script>", f"</script><{TAG}>", f"<img src=x on{TAG}=1>",
    f"' on{TAG}='1", f"\" on{TAG}=\"1", f"<!--<{TAG}>", f"]]><{TAG}>", f"javascript:{TAG}", f"&lt;{TAG}&gt;",
    f"\\u003c{TAG}\\u003e", f"</title><{TAG}>", f"</style><{TAG}>", "&amp;", "\u2028</script>",
    "../../etc/passwd", "..", ".", "/", "//", "\\\\host\\share", "C:\\x", "a/b", "a\\b", "..\\..\\x", "~", "~root",
    "con", "nul.html", "file:///etc/passwd", "x" * 300, "%2e%2e%2f", "a\0b", "\0", "site.html",
    "H0001", "h0001", "\u041d0001", "H\u200b0001", "H0001 ", "\uff280001", "e\u0301", "\u00e9", "\u0130",
    "ss", "\u00df",
    "\u202eabc", "\u2066x\u2069", "\x1b[2J", "\x1b]0;x\x07", "\x9b31m", "\x07", "\b\b", "\x7f", "\ufeff", "\ufffd",
    "\r\n", "\n", "\t", "\v", "\u2028", "\x85", "",
    " ", "\U0001f600", "\U0010ffff", "\u0627\u0644", "Z\u0351\u036b\u0343",
    "[bold]x[/bold]", "[/]", "[/red]", "[link=file:///x]y[/link]", ":smile:",
    "{{7*7}}", "{% raise %}", "{{ cycler.__init__.__globals__.os.system('touch " + CANARY + "') }}", "${x}",
    "$(touch " + CANARY + ")",
    "`touch " + CANARY + "`", "%s%s%n", "{0}", "{0.__class__}", "{site_id}", "{", "}", "\\", "\\1", "$1",
    "__import__('os').system('touch " + CANARY + "')", "; touch " + CANARY,
    "'; DROP TABLE interval_used; --", "\" OR 1=1 --", "*", "?", "[a-z]", "a*.parquet", "$day", "getvariable('x')",
    "null", "None", "NaN", "nan", "inf", "-inf", "true", "1e999", "0x10", "1_000", "\u0661\u0662", "\u00b2",
    "1,5", "1e-400",
    "9" * 400, "2025-06-01", "2025-06-01T00:00:00Z", "2025-02-30", "0000-00-00", "+262143-01-01T00:00:00Z",
    "9999-12-31T23:59:59Z", "1677-01-01 00:00", "2025-06-01T24:00:00Z", "2025-06-01T00:00:00+99:99", "1748736000",
    "2025-03-09 02:30", "2025-11-02 01:30", "sound", "reversed", "l1", "120/240", "single",
    "America/Denver", "localtime", "Factory", "../../etc/localtime", "Africa", "posixrules", "right/UTC",
)  # fmt: skip

nasty = st.sampled_from(NASTY)
texts = st.one_of(nasty, nasty, st.text(max_size=8), st.tuples(nasty, nasty).map("".join))
floats = st.one_of(
    st.floats(), st.sampled_from([0.0, 300.0, -250.0, 1e9, -1e308, 1e308, 5e-324, float("nan"), float("inf")])
)
wholes = st.one_of(
    st.integers(-3, 20), st.sampled_from([2**31, -(2**31), 2**63 - 1, -(2**63), 2**63, 10**30, 720, 1440])
)


def _plain(text: str) -> str:
    """A TOML basic string."""
    escaped = "".join(
        sign if sign >= " " and sign not in '"\\\x7f' else f"\\u{ord(sign):04x}" for sign in text
    )
    return f'"{escaped}"'


_scalars = st.one_of(
    texts.map(_plain),
    floats.map(repr),
    wholes.map(str),
    st.sampled_from(["true", "false", "2025-06-01", "07:32:00", "[]", "{}", "nan", "-inf", '["a", 1]']),
)
values = st.one_of(_scalars, st.lists(_scalars, max_size=3).map(lambda parts: f"[{', '.join(parts)}]"))


def toml_string(text: str) -> str:
    """The text as a TOML string."""
    return _plain(text)
