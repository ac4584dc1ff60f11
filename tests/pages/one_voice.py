"""Reads what a page or a paper says of comparisons, and finds statements that disagree.

It knows the labels of a trial's levels and the words of `TERMS`, nothing of how pages are made: a
statement is a sentence, a row of a table or an amount that stands straight behind one. Amounts of
other quantities (one field's own effect, an effect at one speed, intervals that hold for every two
levels together) are told in other words and are not taken for it.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from bs4 import BeautifulSoup

from trialkit.analysis import TrialAnalysis
from trialkit.responses import RESPONSES
from trialkit.words.glosses import GLOSSES

TERMS = {name: record.terms for name, record in RESPONSES.items()}

NUMBER = r"[−-]?[\d,]+(?:\.\d+)?"
SIDE = "less|more|fewer|lower|higher"
DOWN = ("less", "fewer", "lower")
UNIT = r"bu/ac|kg/ha|percentage points|points|steps|%"
AMOUNT = (
    rf"(?P<value>{NUMBER}) (?P<unit>{UNIT})(?: (?P<side>{SIDE}))? "
    rf"\((?:from (?P<low>{NUMBER}) (?:{SIDE}) to (?P<high>{NUMBER}) (?:{SIDE})"
    rf"|(?P<one>{NUMBER}) to (?P<two>{NUMBER}))\)"
)
# The range of a balance that is not settled.
RUNS = (
    rf"; the range runs from (?P<unsettled>{NUMBER}) more than it saves to "
    rf"(?P<left>{NUMBER}) left over"
)
PLAIN = re.sub(r"\?P<\w+>", "?:", AMOUNT)
BEHIND = re.compile(rf"[.:]?\s*(?:Best guess: )?(?P<all>{PLAIN}(?:(?:, that is|;) {PLAIN})*)")
BLOCKS = ["p", "li", "h1", "figcaption", "header"]


@dataclass(frozen=True)
class Said:
    """One thing said of one comparison.

    `what` is the response, the level and its reference, and the kind of statement: direction,
    grade, amount in a unit, worth, advice.
    """

    what: tuple[str, str, str, str]
    value: Any
    where: str
    text: str


def flat(text: str) -> str:
    """Text as one line, with plain spaces."""
    text = text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{NON-BREAKING HYPHEN}", "-")
    text = re.sub(r"\s+", " ", text).strip()
    # What rounds to nothing is an amount of zero.
    nothing = rf"no difference \(from ({NUMBER}) ({UNIT}) ({SIDE}) to"
    return re.sub(nothing, r"0 \2 (from \1 \3 to", text)


def number(text: str) -> float:
    return float(text.replace(",", "").replace("−", "-"))


class Reader:
    """Reads the texts of one trial.

    Parameters
    ----------
    analysis : TrialAnalysis
        For the labels of levels, the titles of responses and the headline's comparison.
    first : (str, str)
        Label and reference of the headline.
    """

    def __init__(self, analysis: TrialAnalysis, response: str, first: tuple[str, str]) -> None:
        self.titles = {r.title: name for name, r in analysis.responses.items()}
        self.response, self.first = response, first
        self.pairs = {
            (label, dict(zip(f.levels, f.level_labels, strict=True))[f.reference])
            for f in analysis.trial.config.setups
            for level, label in zip(f.levels, f.level_labels, strict=True) if level != f.reference
        }  # fmt: skip
        labels = sorted({label for pair in self.pairs for label in pair}, key=len, reverse=True)
        self.label = "|".join(map(re.escape, map(flat, labels)))
        self.said: list[Said] = []

    def pair(self, one: str, other: str) -> tuple[str, str, float] | None:
        """Level, reference and the sign it is told with; None for two that are not compared."""
        for label, reference in self.pairs:
            mine = flat(label).casefold(), flat(reference).casefold()
            if mine == (one.casefold(), other.casefold()):
                return label, reference, 1.0
            if mine == (other.casefold(), one.casefold()):
                return label, reference, -1.0
        return None

    def put(self, response: str, one: str, other: str, kind: str, value: Any, where: str,
            text: str) -> None:  # fmt: skip
        found = self.pair(one, other)
        if found is None:
            return
        label, reference, sign = found
        if kind == "direction":
            value = value * sign
        elif kind.startswith(("amount", "worth")) and sign < 0:
            value = tuple(-v for v in (value[0], value[2], value[1]))
        elif kind == "advice" and sign < 0:
            value = {"pays": "costs", "costs": "pays"}.get(value, value)
        self.said.append(Said((response, label, reference, kind), value, where, text[:160]))

    # ------------------------------------------------------------ kinds of statements
    def nouns(self, text: str) -> Iterator[tuple[str, int, str]]:
        """Response, strength and side of every "clearly fewer loose kernels" in a clause."""
        for response, words in TERMS.items():
            for noun, side in ((words.less, "fall"), (words.more, "rise")):
                head, tail = map(re.escape, noun.split("{}"))
                for found in re.finditer(rf"\b{head}(clearly )?{tail}(?!\w)", text):
                    yield response, 3 if found[1] else 2, side

    def sentence(self, response: str, one: str, other: str, strength: int, falls: bool,
                 where: str, text: str) -> None:  # fmt: skip
        self.put(response, one, other, "grade", strength, where, text)
        self.put(response, one, other, "direction", -1.0 if falls else 1.0, where, text)

    def amounts(self, response: str, one: str, other: str, text: str, where: str) -> None:
        """Amounts as "0.43 bu/ac less (0.13 to 0.81)", signed as level less reference."""
        for found in re.finditer(AMOUNT, text):
            falls = found["side"] in DOWN
            sign = -1.0 if falls else 1.0
            value = sign * number(found["value"])
            if found["low"] is not None:
                low, high = -number(found["low"]), number(found["high"])
            else:
                low, high = sorted(sign * number(found[n]) for n in ("one", "two"))
            unit = found["unit"].replace("percentage points", "points")
            whole = (value, low, high)
            if unit == "%":  # as the ratio it is, so that tables of ratios can be held to it
                unit, whole = "ratio", tuple(round(1 + v / 100, 4) for v in whole)
                if one and self.pair(one, other) and self.pair(one, other)[2] < 0:
                    continue  # turned round a share has another base
            self.put(response, one, other, f"amount {unit}", whole, where, found[0])
            if value and unit != "ratio":
                self.put(response, one, other, "direction", sign, where, found[0])

    def text(self, text: str, where: str) -> None:
        """Sentences, and the amounts straight behind them."""
        text, label = flat(text), self.label
        for gloss in GLOSSES.values():  # beside a term at its first use
            text = text.replace(f" ({gloss})", "")
        found: list[tuple[re.Match, str, str, str]] = []
        for response, words in TERMS.items():
            for noun, falls in ((words.less, True), (words.more, False)):
                head, tail = map(re.escape, noun.split("{}"))
                pattern = (
                    rf"(?P<a>{label}) (?P<p>probably )?{words.verb} {head}(?P<c>clearly )?{tail} "
                    rf"than (?P<b>{label})"
                )
                for m in re.finditer(pattern, text, re.IGNORECASE):
                    if text[: m.start()].endswith("the answer reads: "):
                        continue  # of the second answer, at the same speed
                    # "Probably clearly" is no grade at all.
                    strength = (4 if m["c"] else 1) if m["p"] else 3 if m["c"] else 2
                    self.sentence(response, m["a"], m["b"], strength, falls, where, m[0])
                    found.append((m, response, m["a"], m["b"]))
            pattern = (
                rf"this trial cannot tell (?P<a>{label}) from (?P<b>{label}) in {words.subject}"
            )
            for m in re.finditer(pattern, text, re.IGNORECASE):
                if not text[: m.start()].endswith("the answer reads: "):
                    self.put(response, m["a"], m["b"], "grade", 0, where, m[0])
                    found.append((m, response, m["a"], m["b"]))
        for m, response, one, other in found:
            if behind := BEHIND.match(text, m.end()):
                self.amounts(response, one, other, behind["all"], where)
        self.clauses(text, where)
        self.money(text, where)
        for m in re.finditer(rf"[Aa]ll fields together: ({PLAIN})", text):
            self.amounts(self.response, *self.first, m[1], where)

    def clauses(self, text: str, where: str) -> None:
        """What is said of a level inside advice."""
        label = self.label
        shapes = (
            (rf"Stay (?:with )?(?P<b>{label}) rather than (?P<a>{label}), which (?P<did>.*?) "
             r"here\.", "stay"),
            (rf"Try (?:it )?(?P<a>{label}) on some passes of your own, next to (?:passes )?"
             rf"(?P<b>{label}) in the same field.*?: it (?P<did>.*?) here\.", "try"),
            (rf"(?P<a>{label}) (?P<did>(?:(?!{label}).)*?) than (?P<b>{label}), but "
             r"(?P<more>[^:]*?): which counts for more is yours", "open"),
            (rf"Not settled yet: (?P<a>{label}) against (?P<b>{label})\.(?P<did>)",
             "unsettled"),
            (rf"does not settle whether (?P<a>{label}) is better or worse than (?P<b>{label});"
             r"(?P<did>)", "unsettled"),
        )  # fmt: skip
        for pattern, advice in shapes:
            for m in re.finditer(pattern, text, re.IGNORECASE):
                self.put(self.response, m["a"], m["b"], "advice", advice, where, m[0])
                did = m["did"] + " " + (m.groupdict().get("more") or "")
                for response, strength, side in self.nouns(did):
                    self.sentence(response, m["a"], m["b"], strength, side == "fall", where, m[0])

        for m in re.finditer(
            rf"({label}) is better or worse than ({label}); best guess for [^:.]*: ({PLAIN})|"
            rf"({label}) instead of ({label}) (?:left|had) ({PLAIN}) in [^.]*? and takes",
            text, re.IGNORECASE,
        ):  # fmt: skip
            one, other, amount = m.groups()[:3] if m[1] else m.groups()[3:]
            self.amounts(self.response, one, other, amount, where)

    def money(self, text: str, where: str) -> None:
        """Worth of the grain of a comparison, what is left of the balance, and the chance."""
        label, ends = self.label, rf"({NUMBER}) to ({NUMBER})"
        for m in re.finditer(
            rf"({label}) (?:against|instead of) ({label}),? (?:at the header: loose |saves |loses )"
            rf"grain worth \w+ ({NUMBER}) (?:(saved|lost) )?per \w+ \([^)]*?of the "
            rf"(saving|loss) {ends}\)", text, re.IGNORECASE,
        ):  # fmt: skip
            lost = m[4] == "lost" or " loses " in m[0]
            self.worth(m[1], m[2], m[3], (m[6], m[7]), lost, where, m[0], m[5] == "loss")
        for m in re.finditer(
            rf"({label}) instead of ({label}) (?:[^.]|\.\d)*?takes ({NUMBER}) hours more per "
            rf"[\w ]+(?:;[^.]*)?\. The grain it (saves|loses) is worth \w+ ({NUMBER}) per \w+ "
            rf"\({ends}\)", text, re.I,
        ):  # fmt: skip
            lost = m[4] == "loses"
            self.worth(m[1], m[2], m[5], (m[6], m[7]), lost, where, m[0], lost)
        for m in re.finditer(
            rf"Counting loose kernels at the header[^.]*? ({label}) (leaves|pays: it leaves|costs) "
            rf"\w+ ({NUMBER}) per \w+ (?:more than it saves )?against ({label})"
            rf"(?: \({ends}\)|{RUNS})", text, re.I,
        ):  # fmt: skip
            sign = -1.0 if m[2] == "costs" else 1.0
            if m["unsettled"]:
                low, high = -number(m["unsettled"]), number(m["left"])
            else:
                low, high = sorted(sign * number(v) for v in (m[5], m[6]))
                known = {"pays: it leaves": "pays", "costs": "costs"}[m[2]]
                self.put(self.response, m[1], m[4], "advice", known, where, m[0])
            self.put("balance", m[1], m[4], "worth", (sign * number(m[3]), low, high), where, m[0])
        # What is left in a year, wherever it is told: of what is bought, the headline's level.
        for pattern in (
            rf"per \w+, \w+ (?P<net>{NUMBER}) a year, (?P<side>less|more) than the grain it saves",
            rf"it (?P<side>leaves|costs) \w+ (?P<net>{NUMBER}) a year \(\w+ {NUMBER} per \w+\)",
            rf"Left in a year, cost paid \w+ (?P<net>{NUMBER})",
            rf"dashed: (?P<net>{NUMBER}) as stated|, (?P<as>{NUMBER}) as stated, when",
        ):
            for m in re.finditer(pattern, text):
                net = number(m["net"] or m["as"])
                sign = -1.0 if (m.groupdict().get("side")) in ("more", "costs") else 1.0
                self.put("balance", *self.first, "a year", sign * net, where, m[0])

    def worth(self, one: str, other: str, value: str, ends: tuple[str, str], lost: bool,
              where: str, text: str, ends_lost: bool) -> None:  # fmt: skip
        sign = -1.0 if ends_lost else 1.0
        low, high = sorted(sign * number(v) for v in ends)
        value_ = -number(value) if lost else number(value)
        self.put("header_loss", one, other, "worth", (value_, low, high), where, text)

    # ------------------------------------------------------------ pages
    def page(self, html: str, where: str) -> None:
        """Every block of a page, what pictures say to those who do not see them, and tables."""
        soup = BeautifulSoup(html, "html.parser")
        for node in soup(["script", "style"]):
            node.extract()
        for node in soup.find_all(BLOCKS):
            # A heading and the lines that belong to it are read together.
            if node.name == "header" or node.find_parent("header") is None:
                self.text(node.get_text(" "), where)
        for header in soup.find_all("header"):
            if m := re.search(rf"In other units: ({PLAIN})", flat(header.get_text(" "))):
                self.amounts(self.response, *self.first, m[1], where)
        for node in soup.find_all(["img", "svg"]):
            self.text(str(node.get("alt") or node.get("aria-label") or ""), where)
        for table in soup.find_all("table"):
            self.table(table, where)
        for part in soup.find_all(["section", "div"], attrs={"data-response": True}):
            self.answers(part, where)

    def answers(self, part: Any, where: str) -> None:
        response = part["data-response"]
        for item in part.find_all("li"):
            text = flat(item.get_text(" "))
            if m := re.match(rf"({self.label}) against ({self.label}): ", text, re.IGNORECASE):
                self.amounts(response, m[1], m[2], text, where)

    def table(self, table: Any, where: str) -> None:
        """Rows of the tables that hold every comparison with its numbers."""
        caption = flat(table.caption.get_text(" ")) if table.caption else ""
        head = [flat(th.get_text(" ")) for th in table.find_all("th", attrs={"scope": "col"})]
        rows = [[flat(c.get_text(" ")) for c in tr.find_all(["th", "td"])]
                for tr in table.find_all("tr")[1:]]  # fmt: skip
        title, _, kind = caption.partition(": ")
        if kind.startswith("differences from the reference") and title in self.titles:
            for row in rows:
                self.numbers(self.titles[title], dict(zip(head, row, strict=True)), where)
        if "evidence" in head and "comparison" in head:
            for row in rows:
                self.in_words(dict(zip(head, row, strict=True)), where)
        if "answer" in head and title in self.titles:  # the page's own beside those it is held to
            for row in rows:
                own = dict(zip(head, row, strict=True))
                own["comparison"] = own["answer"].removesuffix(", by the model")
                self.numbers(self.titles[title], own, where)

    def numbers(self, response: str, row: dict[str, str], where: str) -> None:
        m = re.fullmatch(rf"({self.label}) against ({self.label})", row["comparison"], re.I)
        if m is None:
            return
        for unit, cell in row.items():
            shape = re.fullmatch(rf"({NUMBER}) \(({NUMBER}) to ({NUMBER})\)", cell)
            name = unit.replace("percentage points", "points")
            if shape and name in ("bu/ac", "kg/ha", "points", "steps", "ratio"):
                values = tuple(map(number, shape.groups()))
                self.put(response, m[1], m[2], f"amount {name}", values, where, cell)

    def in_words(self, row: dict[str, str], where: str) -> None:
        m = re.fullmatch(rf"({self.label}) against ({self.label})", row["comparison"], re.I)
        response = self.titles.get(row["response"])
        if m is None or response is None:
            return
        self.amounts(response, m[1], m[2], f"{row['difference']}; {row['in per cent']}", where)
        strength = ["open", "leaning", "good", "clear"].index(row["evidence"])
        self.put(response, m[1], m[2], "grade", strength, where, str(row))
        words = {"try": "try", "stay": "stay", "pays": "pays", "not settled": "unsettled",
                 "costs more than it saves": "costs"}  # fmt: skip
        if row["advice"] in words:
            self.put(response, m[1], m[2], "advice", words[row["advice"]], where, str(row))


def disagreements(said: Iterable[Said]) -> list[str]:
    """Statements of one comparison that do not say the same."""
    by_kind: dict[tuple, list[Said]] = defaultdict(list)
    for one in said:
        by_kind[one.what].append(one)
    out = []
    for what, every in by_kind.items():
        # Of two values that round to nothing either sign is the same.
        values = {tuple(v + 0.0 for v in s.value) if isinstance(s.value, tuple) else s.value
                  for s in every}  # fmt: skip
        if len(values) > 1:
            out.append(f"{what}: " + " | ".join(
                sorted({f"{s.where}: {s.value} ({s.text})" for s in every})))  # fmt: skip
    return out
