"""What is wrong with the shop's description, in a page's language.

The description says it in English, where it is found (`service.shop.catalogue`): as a sentence that is
recognised here by its fixed words, whatever names and numbers stand between them. One that is not listed
stays as it is, and says which language it is in.
"""

from __future__ import annotations

from markupsafe import Markup, escape

from service.pages.sentences import patterns
from service.papers import texts
from service.shop.catalogue import Trouble


def _(message: str) -> str:
    """Marks a text for translation."""
    return message


#: Whole sentences, and what may follow one (`what`), which is a sentence itself.
TROUBLES = (
    _("%(what)s; did you mean %(name)s? There are %(names)s"),
    _("%(what)s; did you mean %(name)s?"),
    _("%(what)s. There are %(names)s"),
    _("%(what)s. There is %(names)s"),
    _("%(what)s; there is none yet"),
    _("%(what)s (%(count)s slots: %(names)s)"),
    _("no such key"),
    _("no such plate"),
    _("no such process"),
    _("no blade %(name)s"),
    _("no product %(name)s"),
    _("no station %(name)s"),
    _("no font %(name)s"),
    _("no zone %(name)s"),
    _("no file %(name)s"),
    _("no process is for %(surface)s"),
    _("is missing"),
    _("a slot is its name, then where its frame lies: x, y and turn"),
    _("%(given)s is none of %(names)s"),
    _("%(given)s must be above %(limit)s"),
    _("%(given)s must be at least %(limit)s"),
    _("%(given)s must be below %(limit)s"),
    _("%(given)s must be at most %(limit)s"),
    _("%(given)s is no whole number"),
    _("%(given)s is no number"),
    _("%(given)s is no part of a day: write 08:00-16:30"),
    _("%(given)s is no time of day: write 16:00"),
    _("%(given)s is no date: write 2027-01-31"),
    _("%(given)s is no day of the calendar: write 2027-01-31"),
    _("%(given)s is no barcode: 8 to 14 digits, without blanks"),
    _("%(given)s is no colour: write # and six of 0 to 9 and a to f, such as #7a3b12"),
    _("%(given)s is no language: write a tag of BCP 47 such as en or de"),
    _("write %(right)s, not %(given)s, and without quotation marks"),
    _("write %(right)s, not %(given)s"),
    _("write straight quotes: %(right)s"),
    _("words stand in quotes: %(right)s"),
    _("a key and its value have = between them: %(right)s"),
    _("there are %(opened)s of [ and %(closed)s of ]: %(given)s"),
    _("has %(count)s entries; at least %(limit)s are wanted"),
    _("has %(count)s entries; at most %(limit)s are wanted"),
    _("is too short: %(count)s characters"),
    _("is too long: %(count)s characters"),
    _("true or false is wanted, without quotation marks, not %(given)s"),
    _("%(name)s stands in %(file)s already"),
    _("%(name)s stands twice (also in line %(line)s)"),
    _("%(name)s stands twice"),
    _("the same thing stands twice"),
    _("a letter in it is not UTF-8: save the file as UTF-8"),
    _("not read: drawings come in by %(command)s"),
    _("the path can't be read: %(why)s"),
    _("it crosses itself at %(where)s"),
    _(
        "barcode %(code)s has a wrong check digit: it ends in %(given)s, and %(digit)s belongs "
        "there (%(right)s)"
    ),
    _("two zones of this blade have this name"),
    _("two keep-outs of this face have this name"),
    _("the keep-out lies beside the blade, whose outline is %(size)s"),
    _("the zone lies beside the blade, whose outline is %(size)s"),
    _("keep-outs and the edge margin leave nothing of the zone"),
    _("the baseline lies beside the zone"),
    _("the anchor lies beside the zone"),
    _("on a curved baseline only text can run"),
    _("min_height_mm is above max_height_mm"),
    _("usual_height_mm is not between min_height_mm and max_height_mm"),
    _("give exactly one of path, points, circle, rect"),
    _("give either silhouette or mirror_of"),
    _("material and finish go together"),
    _("a frame, and only a frame, has initials_box_mm"),
    _("the box for initials does not lie inside the frame"),
    _("it takes no blade"),
    _("its outline reaches beyond the plate"),
    _("%(blade)s with its %(face)s up reaches beyond the plate"),
    _("blade %(blade)s has no face %(face)s"),
    _("units in slots %(slots)s would touch"),
    _("outlines of slots %(slots)s would touch"),
    _("station %(station)s names no layer for it"),
    _("%(name)s is for the same station, material and finish"),
    _("a line can't be finer than the spot"),
    _("no station with a process for it can mount a plate that takes this face with the zone in its field"),
    _(
        "%(parts)s miss the outline (%(size)s); in %(unit)s it would be %(other)s, and they fit: "
        "is the outline drawn in %(same)s?"
    ),
    _(
        "%(parts)s misses the outline (%(size)s); in %(unit)s it would be %(other)s, and it "
        "fits: is the outline drawn in %(same)s?"
    ),
    _("%(parts)s miss the outline (%(size)s); it fits the other way round: is it drawn from the other side?"),
    _(
        "%(parts)s misses the outline (%(size)s); it fits the other way round: is it drawn from "
        "the other side?"
    ),
    _(
        "%(parts)s miss the outline (%(size)s); it fits upside down: does its y run down, as in SVG "
        "files? Turn every y round, or bring the drawing in by %(command)s"
    ),
    _(
        "%(parts)s misses the outline (%(size)s); it fits upside down: does its y run down, as in SVG "
        "files? Turn every y round, or bring the drawing in by %(command)s"
    ),
    _(
        "blade %(blade)s is %(size)s, far larger than the slots that take it (%(room)s); in %(unit)s "
        "it would be %(other)s: is it drawn in that?"
    ),
    _(
        "on %(size)s slots and units reach beyond the plate, and on %(other)s all of it fits: "
        "are width and height swapped?"
    ),
)


def worded(reason: str, language: str) -> str | None:
    """A reason in a language; None where it is not listed.

    >>> worded("'x' must be at least 2", "de")
    "'x' muss mindestens 2 sein"
    """
    say = texts.texts_of(language).gettext
    for template, pattern in patterns(TROUBLES):
        if match := pattern.fullmatch(reason):
            given = match.groupdict()
            if "what" in given:
                inner = worded(given["what"], language)
                if inner is None:
                    continue
                given["what"] = inner
            return say(template) % given
    return None


def trouble(said: Trouble | str, language: str) -> Markup:
    """Where something is wrong, and what, as HTML; what is said in English on another language's page is
    marked as such."""
    if isinstance(said, str):
        return _marked(said, language)
    where = said.file if said.line is None else f"{said.file}:{said.line}"
    place = f"{said.place}: " if said.place else ""
    return escape(f"{where}: {place}") + _marked(said.reason, language)


def _marked(reason: str, language: str) -> Markup:
    if language == "en":
        return escape(reason)
    said = worded(reason, language)
    return escape(said) if said is not None else Markup('<span lang="en">{}</span>').format(reason)
