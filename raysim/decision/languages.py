"""Fixed phrases of the sheet to sign, in English and in languages to put beside it.

Only what raysim itself says is here. Texts of the scene, of the price file and of rules
stay as they are written, and the sheet says so. A phrase has the same gaps in every
language; numbers that fill them get the decimal sign of the language.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from raysim.errors import Complaint, SettingsError
from raysim.scene.table import nearest

_NUMBER: Final = re.compile(r"(?:< )?\d+\.\d+")


@dataclass(frozen=True, slots=True)
class Language:
    """One language of the sheet."""

    code: str  # as ISO 639-1 has it
    name: str  # in itself
    decimal: str
    phrases: Mapping[str, str]

    def say(self, phrase: str, **gaps: str) -> str:
        """Give a phrase with its gaps filled.

        Examples
        --------
        >>> LANGUAGES["de"].say("weight hung", kg="7.2")
        'das schwerste hängende Stück 7,2 kg'
        """
        own = {name: self.number(text) for name, text in gaps.items()}
        return self.phrases[phrase].format(**own)

    def number(self, text: str) -> str:
        """Give a number with the decimal sign of the language; other text stays."""
        return text.replace(".", self.decimal) if _NUMBER.fullmatch(text) else text


_ENGLISH: Final = {
    "title": "{scene}: proposal “{layout}”",
    "head wrong": "What is wrong",
    "head up": "What goes up",
    "head weight": "Weight",
    "head holes": "Holes, and how it comes off again",
    "head fire": "Fire",
    "head cost": "What it costs",
    "head change": "What will change",
    "head not": "What will not change",
    "head ask": "To settle first",
    "wrong": "In the room as it is, sound takes {now} s to die away (by 60 dB, in the middle "
    "of the range). Rooms for {use} usually aim at {aims}.",
    "between": "{low} to {high} s",
    "at most": "at most {high} s",
    "loud": "It is loud for those who play in it.",
    "use voice": "spoken voice",
    "use listening": "mixing and listening",
    "use ensemble": "ensembles that rehearse",
    "moved": "Moved out for it: {names}.",
    "weight all": "{kg} kg in all",
    "weight hung": "the heaviest piece that hangs {kg} kg",
    "weight floor": "{kg} kg of it stand on the floor",
    "one hole": "1 piece on screws or hooks, in: {on}.",
    "holes": "{n} pieces on screws or hooks, in: {on}.",
    "glue": "Held by glue or strips: {names}.",
    "no holes": "No holes and no glue: all of it stands or lies.",
    "leaves": "Taken away, it leaves: {what}.",
    "no fire": "No paper is asked for by the price file. Ask whoever answers for fire safety.",
    "fire": "Papers to hand over before anything goes up.",
    "cost": "{price}{spread} for what goes into it; {buy} in whole packs with {spare} % spare. "
    "Work is not counted.",
    "spread": " ({low} to {high})",
    "budget": " The budget is {budget}.",
    "change none": "Nothing that we can promise to be heard.",
    "change faster": "Sound dies away {times} times as fast: {after} s instead of {before} s. "
    "By calculation; 10 to 30 % off is usual in a small room.",
    "change longer": "Sound lasts {after} s instead of {before} s.",
    "change clear": "Words come out clearer, and a recording has less of the room in it.",
    "change quiet": "The room is less loud for those in it.",
    "not": "It will not stop noise, in or out: neighbours hear as much as before, and the room "
    "hears as much of them. That takes mass, seals or a quieter source.",
    "drill": "Before drilling: look for cables, pipes and asbestos, and leave what is found to "
    "people licensed for it.",
    "sign by": "Proposed by",
    "sign owner": "Owner, landlord or committee",
    "sign fire": "Responsible for fire safety",
    "date": "date",
    "note": "Agreed as drawn, or with the changes written above. A proposal by calculation, "
    "not a permit and not structural or fire advice: local codes, insurers and licensed people "
    "decide.",
    "as written": "Not translated, points beside this: {n}. Have them explained before "
    "you sign.",
    "free text": "Names and free texts of the plan stand as they were written.",
    "held screwed": "screwed", "held hung": "hung", "held glued": "glued",
    "held strips": "strips", "held on rail": "on rail", "held standing": "standing",
    "held laid": "laid",
    "kind panel": "panel", "kind corner panel": "corner panel",
    "kind corner stack": "corner stack", "kind cloud": "cloud", "kind foam": "foam",
    "kind cover": "cover", "kind curtain": "curtain", "kind rug": "rug",
    "kind curved screen": "curved screen", "kind screen": "screen", "kind block": "block",
    "kind bookcase": "bookcase",
}  # fmt: skip

_GERMAN: Final = {
    "title": "{scene}: Vorschlag „{layout}“",
    "head wrong": "Was stört",
    "head up": "Was angebracht wird",
    "head weight": "Gewicht",
    "head holes": "Löcher und Rückbau",
    "head fire": "Brandschutz",
    "head cost": "Kosten",
    "head change": "Was sich ändert",
    "head not": "Was sich nicht ändert",
    "head ask": "Vorher zu klären",
    "wrong": "Im Raum, wie er ist, braucht Schall {now} s, um zu verklingen (um 60 dB, in der "
    "Mitte des Tonumfangs). Für {use} strebt man meist {aims} an.",
    "between": "{low} bis {high} s",
    "at most": "höchstens {high} s",
    "loud": "Für die, die darin spielen, ist er laut.",
    "use voice": "gesprochene Stimme",
    "use listening": "Mischen und Abhören",
    "use ensemble": "probende Ensembles",
    "moved": "Dafür kommt hinaus: {names}.",
    "weight all": "{kg} kg insgesamt",
    "weight hung": "das schwerste hängende Stück {kg} kg",
    "weight floor": "davon stehen {kg} kg auf dem Boden",
    "one hole": "1 Stück an Schrauben oder Haken, in: {on}.",
    "holes": "{n} Stück an Schrauben oder Haken, in: {on}.",
    "glue": "Mit Kleber oder Klebestreifen befestigt: {names}.",
    "no holes": "Keine Löcher, kein Kleber: alles steht oder liegt.",
    "leaves": "Nach dem Abbau bleibt (nicht übersetzt): {what}.",
    "no fire": "Die Preisliste verlangt keinen Nachweis. Fragen Sie, wer für den Brandschutz "
    "zuständig ist.",
    "fire": "Nachweise sind zu übergeben, bevor etwas angebracht wird.",
    "cost": "{price}{spread} für das, was verbaut wird; {buy} in ganzen Packungen mit {spare} "
    "% Reserve. Arbeit ist nicht gerechnet.",
    "spread": " ({low} bis {high})",
    "budget": " Das Budget beträgt {budget}.",
    "change none": "Nichts, wovon wir versprechen können, dass man es hört.",
    "change faster": "Schall verklingt {times}-mal so schnell: in {after} s statt in {before} "
    "s. Berechnet; in kleinen Räumen sind 10 bis 30 % Abweichung üblich.",
    "change longer": "Schall dauert {after} s statt {before} s.",
    "change clear": "Worte werden deutlicher, und Aufnahmen enthalten weniger vom Raum.",
    "change quiet": "Für die, die darin sind, ist der Raum weniger laut.",
    "not": "Lärm hält es nicht auf, weder hinein noch hinaus: Nachbarn hören so viel wie "
    "vorher, und man hört sie ebenso. Dagegen helfen Masse, dichte Fugen oder eine "
    "leisere Quelle.",
    "drill": "Vor dem Bohren: nach Leitungen, Rohren und Asbest suchen, und was sich findet, "
    "zugelassenen Fachleuten überlassen.",
    "sign by": "Vorgeschlagen von",
    "sign owner": "Eigentümer, Vermieter oder Vorstand",
    "sign fire": "Zuständig für Brandschutz",
    "date": "Datum",
    "note": "Einverstanden wie gezeichnet oder mit den oben notierten Änderungen. Ein "
    "berechneter Vorschlag, keine Genehmigung und keine Beratung zu Statik oder Brandschutz: "
    "örtliche Vorschriften, Versicherer und zugelassene Fachleute entscheiden.",
    "as written": "Nicht übersetzt, Punkte daneben: {n}. Lassen Sie sich diese erklären, bevor "
    "Sie unterschreiben.",
    "free text": "Namen und freie Texte des Plans stehen, wie sie geschrieben wurden.",
    "held screwed": "geschraubt", "held hung": "aufgehängt", "held glued": "geklebt",
    "held strips": "an Klebestreifen", "held on rail": "an einer Schiene",
    "held standing": "stehend", "held laid": "liegend",
    "kind panel": "Absorberplatte", "kind corner panel": "Eckabsorber, schräg",
    "kind corner stack": "Eckabsorber, gefüllt", "kind cloud": "Deckensegel",
    "kind foam": "Schaumstoffplatte", "kind cover": "Belag", "kind curtain": "Vorhang",
    "kind rug": "Teppich", "kind curved screen": "gebogener Schirm",
    "kind screen": "Stellwand", "kind block": "Absorberblock", "kind bookcase": "Bücherregal",
}  # fmt: skip

_DUTCH: Final = {
    "title": "{scene}: voorstel „{layout}”",
    "head wrong": "Wat er mis is",
    "head up": "Wat er komt",
    "head weight": "Gewicht",
    "head holes": "Gaten, en hoe het weer weggaat",
    "head fire": "Brandveiligheid",
    "head cost": "Wat het kost",
    "head change": "Wat er verandert",
    "head not": "Wat er niet verandert",
    "head ask": "Eerst te regelen",
    "wrong": "In de ruimte zoals die is heeft geluid {now} s nodig om weg te sterven (met "
    "60 dB, in het middengebied). Voor {use} streeft men meestal naar {aims}.",
    "between": "{low} tot {high} s",
    "at most": "hoogstens {high} s",
    "loud": "Voor wie er speelt is het er luid.",
    "use voice": "gesproken stem",
    "use listening": "mixen en luisteren",
    "use ensemble": "repeterende ensembles",
    "moved": "Daarvoor gaat weg: {names}.",
    "weight all": "{kg} kg in totaal",
    "weight hung": "het zwaarste stuk dat hangt {kg} kg",
    "weight floor": "daarvan staat {kg} kg op de vloer",
    "one hole": "1 stuk aan schroeven of haken, in: {on}.",
    "holes": "{n} stuks aan schroeven of haken, in: {on}.",
    "glue": "Vast met lijm of plakstrips: {names}.",
    "no holes": "Geen gaten en geen lijm: alles staat of ligt.",
    "leaves": "Na het weghalen blijft (niet vertaald): {what}.",
    "no fire": "De prijslijst vraagt geen bewijs. Vraag wie over de brandveiligheid gaat.",
    "fire": "Bewijzen worden overhandigd voordat er iets wordt opgehangen of geplaatst.",
    "cost": "{price}{spread} voor wat erin gaat; {buy} in hele pakken met {spare} % reserve. "
    "Werk is niet meegerekend.",
    "spread": " ({low} tot {high})",
    "budget": " Het budget is {budget}.",
    "change none": "Niets waarvan wij kunnen beloven dat het te horen is.",
    "change faster": "Geluid sterft {times} keer zo snel weg: in {after} s in plaats van "
    "{before} s. Berekend; in een kleine ruimte is 10 tot 30 % ernaast gewoon.",
    "change longer": "Geluid duurt {after} s in plaats van {before} s.",
    "change clear": "Woorden worden duidelijker, en in een opname zit minder van de ruimte.",
    "change quiet": "De ruimte is minder luid voor wie erin zit.",
    "not": "Het houdt geen lawaai tegen, naar binnen noch naar buiten: buren horen evenveel "
    "als eerst, en men hoort evenveel van hen. Daarvoor is massa nodig, kierdichting of een "
    "stillere bron.",
    "drill": "Voor het boren: zoek naar leidingen, buizen en asbest, en laat wat gevonden "
    "wordt over aan erkende vakmensen.",
    "sign by": "Voorgesteld door",
    "sign owner": "Eigenaar, verhuurder of bestuur",
    "sign fire": "Verantwoordelijk voor brandveiligheid",
    "date": "datum",
    "note": "Akkoord zoals getekend, of met de hierboven genoteerde wijzigingen. Een berekend "
    "voorstel, geen vergunning en geen advies over constructie of brand: plaatselijke "
    "voorschriften, verzekeraars en erkende vakmensen beslissen.",
    "as written": "Niet vertaald, punten hiernaast: {n}. Laat ze u uitleggen voordat u tekent.",
    "free text": "Namen en vrije teksten van het plan staan zoals ze geschreven zijn.",
    "held screwed": "geschroefd", "held hung": "opgehangen", "held glued": "gelijmd",
    "held strips": "met plakstrips", "held on rail": "aan een rail",
    "held standing": "staand", "held laid": "liggend",
    "kind panel": "absorptiepaneel", "kind corner panel": "hoekpaneel, schuin",
    "kind corner stack": "hoekabsorber, gevuld", "kind cloud": "paneel onder het plafond",
    "kind foam": "schuimplaat", "kind cover": "bekleding", "kind curtain": "gordijn",
    "kind rug": "vloerkleed", "kind curved screen": "gebogen scherm",
    "kind screen": "staand scherm", "kind block": "absorptieblok",
    "kind bookcase": "boekenkast",
}  # fmt: skip

LANGUAGES: Final = {
    "en": Language("en", "English", ".", _ENGLISH),
    "de": Language("de", "Deutsch", ",", _GERMAN),
    "nl": Language("nl", "Nederlands", ",", _DUTCH),
}
ENGLISH: Final = LANGUAGES["en"]


def second_language(code: str) -> Language:
    """Give a language to put beside English.

    Raises
    ------
    SettingsError
        RS-T71: we have no phrases in it.
    """
    others = [key for key in LANGUAGES if key != ENGLISH.code]
    if code in others:
        return LANGUAGES[code]
    wrong = f'"{code}" is no language that the sheet to sign can have beside English.'
    raise SettingsError(Complaint("--second-language", wrong, nearest(code, others), "RS-T71"))
