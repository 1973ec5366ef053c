"""What the dialogue asks of what goes in: cards and carriers, drives, where they are today, and sets of drives."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from agent.sheets.commented import less_wanted
from agent.sheets.interview.asking import CARD
from agent.sheets.interview.board import SPEEDS
from agent.sheets.interview.questions import (
    NOTHING,
    Question,
    count_of,
    figure,
    is_yes,
    items,
    meant,
    nothing,
    one_of,
)
from knowledge.parts import CardKind, DriveKind, kinds
from knowledge.slots import CONNECTORS, MODULE_LANES, connector_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.sheets.commented import Tables
    from agent.sheets.interview.asking import Asking
    from agent.sheets.interview.questions import Dialogue

MOST_ALIKE: Final = 64  # parts of one kind that are asked for at once
ALL: Final = "all"
_SORTS: Final = (
    ("display", "a display card"),
    ("network", "a network card"),
    ("carrier", "a carrier for drives"),
    ("other", "any other card"),
)
_LINE_RATES: Final = ("1", "10", "25", "100")
_FORMS: Final = ("m.2", "u.2")
_OF_KIND: Final = ("connector", "lanes", "generation", "carrier", "bays", "wide", "bay_form")


class AskedParts:
    """The questions about parts."""

    def __init__(self, at: Asking) -> None:
        """Put answers into the draft of `at`."""
        self._at = at

    def _usual_generation(self) -> int:
        return max((slot["generation"] for slot in self._at.draft.entries("slot")), default=4)

    def _usual_of_parts(self) -> int:
        """The generation of parts that are bought today for such a board; of no generation before 3."""
        return min(max(self._usual_generation(), 3), 5)

    # --- Cards ---------------------------------------------------------------------------------------------------

    def cards(self) -> Dialogue[None]:
        """Ask for cards until there are no more."""
        self._at.tell("", "The cards that matter: those of today, and those to buy")
        names = [name for name, _ in _SORTS]
        number = 1
        while True:
            question = Question(
                key=f"card {number}: sort",
                words=f"Which {'other ' if number > 1 else ''}card is fitted or planned",
                default=NOTHING,
                options=_SORTS if number == 1 else (),
                more="display, network, carrier or other; none when all are named.",
            )
            sort = yield from self._at.choice(question, names)
            if not sort:
                return
            yield from self._card(f"card {number}", sort)
            number += 1

    def _card(self, key: str, sort: str) -> Dialogue[None]:
        begun: Tables = {"connector": 16, "lanes": 16, "generation": 1}
        begun |= {"carrier": "switch", "bays": 1} if sort == "carrier" else {}
        question = Question(
            key=f"{key}: name",
            words="What do you call it",
            default=self._at.free_names(CARD, ["card" if sort == "other" else sort])[0],
        )
        numbers = yield from self._at.named(question, CARD, lambda text: [{"name": text, **begun}], must=True)
        if sort == "display":
            yield from self._display(key, numbers)
        elif sort == "network":
            yield from self._network(key, numbers)
        elif sort == "carrier":
            yield from self._carrier(key, numbers)
        else:
            yield from self._edge(key, numbers, 4)
            yield from self._own_power(key, numbers)
        if sort == "carrier":
            numbers = yield from self._copies(key, numbers[0])
        for place, number in enumerate(numbers, 1):
            yield from self._slot_today(f"{key}: slot {place}", number)

    def _display(self, key: str, numbers: Sequence[int]) -> Dialogue[None]:
        wide = yield from self._at.yes(f"{key}: wide", "Does it take two slot places", usually=False)
        self._at.draft.put(CARD, numbers, wide=2 if wide else None)
        yield from self._generation(key, CARD, numbers, self._usual_of_parts())
        speed = self._at.draft.entries(CARD)[numbers[0]]["generation"]
        name = f"display-{'wide-' if wide else ''}x16-gen{speed}"
        yield from self._kind_or_power(key, numbers, name)

    def _network(self, key: str, numbers: Sequence[int]) -> Dialogue[None]:
        question = Question(
            key=f"{key}: line rate",
            words="How fast is its port, in Gb/s (1, 10, 25 or 100)",
            default="10",
            more="none: another rate; its figures are asked for.",
        )
        rate = yield from self._at.ask(
            question, lambda text: "" if nothing(text) else one_of(str(figure(text)), _LINE_RATES)
        )
        if not rate:
            yield from self._edge(key, numbers, 4)
        yield from self._kind_or_power(key, numbers, f"network-{rate}g")

    def _carrier(self, key: str, numbers: Sequence[int]) -> Dialogue[None]:
        question = Question(key=f"{key}: bays", words="How many drives does it take (its bays)", default="4")
        yield from self._at.figure(question, CARD, numbers, "bays")
        question = Question(
            key=f"{key}: form", words="M.2 drives or U.2 drives", default="m.2", more="U.2 is the one with a cable."
        )
        form = yield from self._at.ask(question, lambda text: one_of(text, _FORMS))
        self._at.draft.put(CARD, numbers, bay_form=None if form == "m.2" else form)
        bays = self._at.draft.entries(CARD)[numbers[0]]["bays"]
        yield from self._edge(key, numbers, next((n for n in CONNECTORS if n >= bays * MODULE_LANES), 16))
        question = Question(
            key=f"{key}: switch",
            words="Does it have a packet switch",
            default="yes",
            more="With one it works in any slot. Without one each bay needs lanes of its own, and the slot must split.",
        )

        def take(text: str) -> None:
            self._at.draft.put(CARD, numbers, carrier="switch" if is_yes(text) else "passive")

        if bays > 1:
            yield from self._at.ask(question, take)
        else:
            self._at.draft.put(CARD, numbers, carrier="passive")
        card = self._at.draft.sheet().cards[numbers[0]]
        wanted = (card.bays, card.lanes, card.generation, card.carrier, card.bay_form)
        found = (
            kind.name
            for kind in kinds().values()
            if isinstance(kind, CardKind)
            and (kind.bays, kind.lanes, kind.generation, kind.carrier, kind.bay_form) == wanted
        )
        yield from self._kind_or_power(key, numbers, next(found, ""))

    def _edge(self, key: str, numbers: Sequence[int], lanes: int) -> Dialogue[None]:
        """Ask for the lanes of a card's edge, and its generation."""
        question = Question(key=f"{key}: lanes", words="How many lanes does its edge have", default=str(lanes))

        def take(text: str) -> None:
            given = figure(text)
            fits = isinstance(given, int) and 1 <= given <= CONNECTORS[-1]
            connector = connector_of(int(given)) if fits else CONNECTORS[-1]
            self._at.draft.put(CARD, numbers, lanes=given, connector=connector)

        yield from self._at.ask(question, take)
        yield from self._generation(key, CARD, numbers, self._usual_generation())

    def _generation(self, key: str, table: str, numbers: Sequence[int], usual: int) -> Dialogue[None]:
        question = Question(key=f"{key}: generation", words="Which generation is it", default=str(usual), more=SPEEDS)
        yield from self._at.figure(question, table, numbers, "generation")

    def _kind_or_power(self, key: str, numbers: Sequence[int], name: str) -> Dialogue[None]:
        """Take the typical figures of a kind of card, or ask for power where there is no such kind."""
        kind = kinds().get(name)
        if kind is None:
            yield from self._own_power(key, numbers)
            return
        wants = less_wanted(name, self._at.draft.entries("slot"))
        self._at.draft.put(CARD, numbers, kind=name, **dict.fromkeys(_OF_KIND), **wants)
        self._at.tell(f"  Its other figures are those of {name} ({kind.what}).")

    def _own_power(self, key: str, numbers: Sequence[int]) -> Dialogue[None]:
        more = "By its maker's sheet, without drives. With none, what it takes is not known and not counted."
        question = Question(key=f"{key}: power", words="How many watts does it take", default=NOTHING, more=more)
        yield from self._at.figure(question, CARD, numbers, "power_watts")
        question = Question(
            key=f"{key}: cables", words="How many watts do its own supply cables bring", default=NOTHING
        )
        yield from self._at.figure(question, CARD, numbers, "cable_watts")

    def _copies(self, key: str, number: int) -> Dialogue[tuple[int, ...]]:
        """Ask how many of a carrier there are; the numbers of all."""
        question = Question(key=f"{key}: how many", words="How many such carriers are there", default="1")

        def take(text: str) -> tuple[int, ...]:
            more = count_of(text, 1, MOST_ALIKE) - 1
            entry = self._at.draft.entries(CARD)[number]
            copies = [entry | {"name": name} for name in self._at.free_names(CARD, [entry["name"]] * more)]
            first = self._at.draft.add(CARD, *copies)
            return (number, *range(first, first + more))

        return (yield from self._at.ask(question, take))

    def _slot_today(self, key: str, number: int) -> Dialogue[None]:
        name = self._at.draft.entries(CARD)[number]["name"]
        labels = self._at.labels(CARD)
        if not labels:
            return
        question = Question(
            key=key,
            words=f"In which slot is {name} today ({', '.join(labels)})",
            default=NOTHING,
            more="none: it is not fitted yet, and the plan finds its slot.",
        )

        def take(text: str) -> bool:
            self._at.draft.put(CARD, (number,), slot=None if nothing(text) else meant(text, labels))
            return not nothing(text)

        if (yield from self._at.ask(question, take)):
            yield from self._at.may_move(f"{key}, may move", "May it move", CARD, (number,))

    # --- Drives --------------------------------------------------------------------------------------------------

    def drives(self) -> Dialogue[None]:
        """Ask for drives until there are no more."""
        self._at.tell("", "The drives that matter: those of today, and those to buy")
        number = 1
        while True:
            question = Question(
                key=f"drives {number}: how many",
                words=f"How many {'other ' if number > 1 else ''}drives of one kind are fitted or planned",
                default="0",
                more="Drives that are alike are asked for together; 0 when all are named.",
            )
            count = yield from self._at.ask(question, lambda text: count_of(text, 0, MOST_ALIKE))
            if not count:
                return
            yield from self._alike(f"drives {number}", count)
            number += 1

    def _alike(self, key: str, count: int) -> Dialogue[None]:
        """Drives of one kind."""
        usual = self._at.free_names("drive", ["drive"])[0] if count == 1 else "drive"
        words = "What do you call it" if count == 1 else "What do you call them (a number is added)"

        def entries(text: str) -> list[Tables]:
            numbered = (f"{text}-{number}" for number in range(1, count + 1))
            names = [text] if count == 1 else self._at.free_names("drive", numbered)
            return [{"name": name, "generation": 1} for name in names]

        question = Question(key=f"{key}: name", words=words, default=usual)
        numbers = yield from self._at.named(question, "drive", entries, must=True)
        question = Question(key=f"{key}: form", words="M.2 or U.2", default="m.2")
        form = yield from self._at.ask(question, lambda text: one_of(text, _FORMS))
        self._at.draft.put("drive", numbers, form=form)
        yield from self._generation(key, "drive", numbers, self._usual_of_parts())
        question = Question(key=f"{key}: lanes", words="How many lanes", default=str(MODULE_LANES))
        yield from self._at.figure(question, "drive", numbers, "lanes")
        yield from self._rate(key, numbers)
        yield from self._places_today(key, numbers)

    def _rate(self, key: str, numbers: Sequence[int]) -> Dialogue[None]:
        """Take the figures of a kind of drive, if there is such a kind, and ask for the rate of reading."""
        drive = self._at.draft.sheet().drives[numbers[0]]
        wanted = (drive.generation, drive.lanes, drive.form)
        kind = next(
            (
                kind
                for kind in kinds().values()
                if isinstance(kind, DriveKind) and (kind.generation, kind.lanes, kind.form) == wanted
            ),
            None,
        )
        if kind is not None:
            self._at.draft.put("drive", numbers, kind=kind.name, generation=None, lanes=None, form=None)
        question = Question(
            key=f"{key}: reads",
            words="How many MB/s does one read, by its maker's sheet",
            default=NOTHING if kind is None else f"{kind.read_mbps:g}",
            more="none: its link is the limit." if kind is None else f"In brackets: typical of {kind.name}.",
        )

        def take(text: str) -> None:
            given = None if nothing(text) else figure(text)
            typical = kind is not None and given == kind.read_mbps
            self._at.draft.put("drive", numbers, read_mbps=None if typical else given)

        yield from self._at.ask(question, take)

    def _places_today(self, key: str, numbers: Sequence[int]) -> Dialogue[None]:
        sheet = self._at.draft.sheet()
        places = [*self._at.labels(*_FORMS), *(card.name for card in sheet.cards if card.bays)]
        if not places:
            return
        one = len(numbers) == 1
        words = "Is it fitted today" if one else "Are some of them fitted today"
        if not (yield from self._at.yes(f"{key}: fitted", words, usually=False)):
            return
        fitted = []
        for place, number in enumerate(numbers, 1):
            if (yield from self._place_today(f"{key}: place {place}", number, places)):
                fitted.append(number)
        if fitted:
            words = "May it move" if one else "May they move"
            yield from self._at.may_move(f"{key}: may move", words, "drive", fitted)

    def _place_today(self, key: str, number: int, places: Sequence[str]) -> Dialogue[bool]:
        name = self._at.draft.entries("drive")[number]["name"]
        question = Question(
            key=key,
            words=f"Where is {name} today ({', '.join(places)})",
            default=NOTHING,
            more="A socket, or a carrier with the number of the bay behind it, such as: carrier 2. none: not fitted.",
        )

        def take(text: str) -> bool:
            self._at.draft.put("drive", (number,), **_place(text, self._at.labels(*_FORMS), places))
            return not nothing(text)

        return (yield from self._at.ask(question, take))

    # --- Sets ----------------------------------------------------------------------------------------------------

    def sets(self) -> Dialogue[None]:
        """Ask for sets of drives until there are no more."""
        names = [entry["name"] for entry in self._at.draft.entries("drive")]
        if len(names) < 2:  # noqa: PLR2004 - one drive is no set
            return
        number = 1
        while True:
            key = f"set {number}"
            question = Question(
                key=f"{key}: name",
                words=f"Are drives used together as {'another' if number > 1 else 'one'} set, and what is it called",
                default=NOTHING,
                more="A stripe or RAID set: what it reads is told for the whole set.",
            )
            numbers = yield from self._at.named(
                question, "stripe", lambda text: [{"name": text, "raid": 0, "drives": names[:2]}]
            )
            if not numbers:
                return
            question = Question(
                key=f"{key}: drives",
                words="Which drives",
                default=ALL,
                more=f"all, or names with commas: {', '.join(names)}",
            )
            yield from self._at.ask(question, lambda text, of=numbers: self._put_set(of, text, names))  # type: ignore[misc]
            question = Question(
                key=f"{key}: level",
                words="Which RAID level (0, 1, 5 or 10)",
                default="0",
                more="0 has no copy: when one drive fails, the data of all is lost. Have a backup.",
            )
            yield from self._at.figure(question, "stripe", numbers, "raid")
            number += 1

    def _put_set(self, numbers: Sequence[int], text: str, names: Sequence[str]) -> None:
        chosen = list(names) if text.casefold() == ALL else [meant(item, names) for item in items(text)]
        self._at.draft.put("stripe", numbers, drives=chosen)


def _place(text: str, sockets: Sequence[str], places: Sequence[str]) -> dict[str, Any]:
    """Where a drive is, as keys of its entry: a socket, a carrier, or a carrier and a bay ("rack 2")."""
    found: dict[str, Any] = {"slot": None, "card": None, "bay": None}
    if nothing(text):
        return found
    place = meant(text, places)
    if place in sockets or place in places:
        return found | {"slot" if place in sockets else "card": place}
    head, _, bay = text.rpartition(" ")
    card = meant(head, places)
    if card in places and bay.isascii() and bay.isdecimal():
        return found | {"card": card, "bay": int(bay[:6])}
    return found | {"slot": text}
