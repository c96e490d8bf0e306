"""Sentences that the analytics and the service say word for word: listed here so that they can be translated.

What is not listed, or was reworded since, stays English on a page and says so; a test holds each against its source.
"""

from __future__ import annotations

from service.web.texts import lazy

KNOWN = (
    # why a check stands where it does, or is left out
    lazy("a fail ends the visit"),
    lazy("cold engine only"),
    lazy("before the key goes on"),
    lazy("key on, engine not started"),
    lazy("there is only one cold start"),
    lazy("engine running"),
    lazy("faults that come with heat"),
    lazy("safety, always in"),
    lazy("the engine is warm: ask for a cold start another day"),
    lazy("only true before the key has been on"),
    lazy("needs a running engine"),
    lazy("whatever it reads, the same things would be done"),
    lazy("no time for it in these minutes"),
    lazy("times, accuracies and worth: invented prior, not data"),
    # what a log looks like
    lazy("hardly any part is on record as still good: order of risk only, no absolute chances"),
    lazy("machines seem to be entered by the failure that brought them in: leave that first repair out"),
    lazy("few failures soon after entry: exposure may be counted from before the machine was watched"),
    lazy("histories end on a repair: the end of watching is later than the last repair"),
    lazy("failures crowd before the end of watching: machines may be entered only because they broke"),
    lazy("few failures before the end: machines may be counted as watched after they left"),
    lazy("more machines without any failure than the model expects: exits may be assumed, not seen"),
    lazy("hardly a machine without a failure: healthy machines seem not to be entered"),
    # when to renew
    lazy("a failure costs no more than a planned renewal, so waiting is never dearer"),
    lazy("no interval: failures do not age, as far as is known, so a new part is no safer than the old one"),
    # the fleet
    lazy("found bad and not yet put right"),
    lazy("dearer to run on"),
    lazy("worth less than what is on the list, for the hours it takes"),
    lazy("Safety class A is checked on every machine that comes in, whatever its chance."),
    lazy("Job hours, part prices not the shop's own, and what a failure costs beside its repair are invented priors."),
    # clocks
    lazy("estimated: the old clock was not read at the change"),
    # records
    lazy("At some ages in between nobody was watched: events there are not counted."),
    lazy("One machine: the robust standard error needs several and is 0 here."),
    lazy("a reading that is often written when nobody looked; the reading itself settles it, or an empty cell"),
    # doubts
    lazy(
        "the odometer falls over this machine's readings by date; a mistyped reading or date, km taken for miles, a"
        " trip meter's figure, a five-figure clock that has gone round, a clock change without a clock_changed row, or"
        " somebody who wound it back would explain it: the right reading (with what went round added), or that row,"
        " settles it"
    ),
    lazy("rows of one card bear different dates; the day of the job on all of them, or two card numbers, settles it"),
    lazy(
        "rows of one card bear different odometer readings of one clock; the right reading on all of them settles it,"
        " or a clock_changed row behind the rows that hold the old clock's reading"
    ),
    lazy("the new clock's reading at fitting is not known; that reading (0 for a new clock) settles it"),
    lazy(
        "the old clock's last reading is not on the card, so the distance up to the change is not known; a row before"
        " this one with that reading settles it"
    ),
    lazy("it is not known when the clock was changed; the date settles it"),
    lazy("one card says the machine was gone, a later one that it was here; the right date or machine settles it"),
    # rows of a file
    lazy("the thousands separator could be a decimal point"),
    lazy("the decimal sign is a point"),
    lazy("not a finite number"),
    lazy("there is more than a number in the cell"),
    lazy("a sign is not needed"),
    lazy("powers of ten are not read"),
    lazy("the number is too large"),
    lazy("the date cannot be read for certain"),
    lazy("the odometer is given without its unit"),
    lazy("km or mi, or h for engine hours"),
    lazy("a row of this shop's own work (source card) needs its date"),
    lazy("a row of this shop's own work (source card) needs its card"),
    lazy("the cell is empty"),
    lazy("not a word of this column's list"),
    lazy("currency codes are written in capitals"),
    lazy("not an ISO 4217 currency code"),
    lazy("three letters, as in EUR or CHF"),
    # refusals
    lazy("there is no such machine"),
    lazy("there is no such line"),
    lazy("there is no such link"),
    lazy("there is no such import"),
    lazy("there is no such inspection"),
    lazy("there is no such card"),
    lazy("there is no such check"),
    lazy("there is no such job"),
    lazy("there is no such backtest"),
    lazy("there is no such picture"),
    lazy("there is no such shop"),
    lazy("there is no such token"),
    lazy("there is no such photo in this inspection"),
    lazy("this inspection has no such finding"),
    lazy("this inspection is closed; start another one"),
    lazy("this file is not kept here any more; send it again"),
    lazy("this form was not made here; open its page again"),
    lazy("choose a model; the address must name make and model"),
    lazy("the machine is newer than the day that is asked about"),
    lazy("the date lies after the day that is asked about"),
    lazy("the odometer is above the machine's own"),
    lazy("at no distance a year a distance is never reached: give months"),
    lazy("two facts say how long it stood; give the longest"),
    lazy("no part was under observation both on the day and after it; choose an earlier day"),
    lazy("choose a past day: only what followed it can be compared"),
    lazy("what will be known later cannot be read; give a past moment"),
    lazy("another large file of this shop is being taken in; wait until it is done"),
    lazy("the file is no JPEG, PNG or WebP picture: send one of these"),
    lazy("the file is empty; its first line must name the columns, one row a line of a job card after it"),
    lazy("the delimiter is one of comma, semicolon, tab, bar"),
    lazy("the workbook has no sheet with cells"),
    lazy("the workbook is encrypted; save it without a password"),
    lazy("the workbook is cut off; send it again"),
    lazy("this shop has no dated lines on record: there is nothing ahead; import its job lines first"),
    lazy("the cost while it is apart is above that of a planned renewal, though it leaves out the way in"),
    lazy("The request does not fit its description; each error points at the place."),
    lazy("Something went wrong here; nothing was changed."),
    # what stands in a log of accesses
    lazy("role given"),
    lazy("role taken"),
    lazy("person removed"),
    lazy("password link made"),
    lazy("token made"),
    lazy("token revoked"),
    lazy("settings changed"),
    lazy("models compared"),
    lazy("pool audit"),
    lazy("pool cells"),
    lazy("pool curves"),
    lazy("pool membership"),
    lazy("pool publication"),
    lazy("this shop"),
    lazy("the pool"),
    lazy("another shop"),
    lazy("another shop of the pool"),
    # refusals of a form's shape
    lazy("Missing data for required field."),
    lazy("Field may not be null."),
    lazy("Not a valid number."),
    lazy("Not a valid integer."),
    lazy("Not a valid date."),
)
