"""What the store says in German; English is in the pages."""

from __future__ import annotations

GERMAN = {
    "A made-up shop: nothing here can be bought.": "Ein erfundener Laden: Hier gibt es nichts zu kaufen.",
    "Knives": "Messer",
    "Basket": "Warenkorb",
    "Engraving": "Gravur",
    "with your own words": "mit Ihren Worten",
    "Add to basket": "In den Warenkorb",
    "Without words the knife comes without engraving.": "Ohne Worte kommt das Messer ohne Gravur.",
    "Without engraving": "Ohne Gravur",
    "Remove": "Entfernen",
    "Total": "Summe",
    "Your basket is empty.": "Ihr Warenkorb ist leer.",
    "Order and pay": "Kostenpflichtig bestellen",
    "Nothing is charged.": "Es wird nichts abgebucht.",
    "Order": "Bestellung",
    "So far": "Bisher",
    "Ready by": "Fertig bis",
    "See what will be engraved": "Ansehen, was graviert wird",
    "Cancel the order": "Bestellung stornieren",
    "Try again": "Noch einmal versuchen",
    "We have your order, and are passing it on.": "Wir haben Ihre Bestellung und geben sie weiter.",
    # States of an order.
    "We are looking at your engraving.": "Wir sehen uns Ihre Gravur an.",
    "We have your order.": "Wir haben Ihre Bestellung.",
    "Your order is at the bench.": "Ihre Bestellung ist in der Werkstatt.",
    "Engraved. We are having a close look at it.": "Graviert. Wir sehen sie uns genau an.",
    "Your order is being packed.": "Ihre Bestellung wird verpackt.",
    "Your order has left.": "Ihre Bestellung ist unterwegs.",
    "Your order is cancelled.": "Ihre Bestellung ist storniert.",
    # What was told.
    "taken": "angenommen",
    "waits for us": "wartet auf uns",
    "engraved": "graviert",
    "being packed": "wird verpackt",
    "has left": "ist unterwegs",
    "cancelled": "storniert",
    "made anew": "wird neu angefertigt",
    "another day": "anderer Tag",
    # What went wrong.
    "The workshop can't be reached at the moment. Your order is safe with us.": (
        "Die Werkstatt ist gerade nicht zu erreichen. Ihre Bestellung ist bei uns sicher."
    ),
    "The order has changed meanwhile. Please look at it, then decide again.": (
        "Die Bestellung hat sich inzwischen ge\u00e4ndert. Bitte ansehen und noch einmal entscheiden."
    ),
    "It is at the bench already and can't be cancelled here. Please call us.": (
        "Sie ist schon in der Werkstatt und kann hier nicht mehr storniert werden. Bitte rufen Sie uns an."
    ),
    "Something went wrong. Please call us.": "Etwas ist schiefgegangen. Bitte rufen Sie uns an.",
}
#: An order's states as a buyer is told them.
STATES = {
    "held": "We are looking at your engraving.",
    "short": "We have your order.",
    "ready": "We have your order.",
    "loaded": "Your order is at the bench.",
    "doubtful": "Your order is at the bench.",
    "scrapped": "Your order is at the bench.",
    "engraved": "Engraved. We are having a close look at it.",
    "passed": "Engraved. We are having a close look at it.",
    "released": "Your order is being packed.",
    "handed_over": "Your order has left.",
    "cancelled": "Your order is cancelled.",
}
#: Events; one that is new with a later version of the service is not shown.
EVENTS = {
    "order.accepted": "taken",
    "order.held": "waits for us",
    "job.engraved": "engraved",
    "job.scrapped": "made anew",
    "promise.changed": "another day",
    "order.released": "being packed",
    "order.handed_over": "has left",
    "order.cancelled": "cancelled",
}
#: By the code of the problem that the service answered with.
NOTES = {
    "no_answer": "The workshop can't be reached at the moment. Your order is safe with us.",
    "stale_version": "The order has changed meanwhile. Please look at it, then decide again.",
    "move_not_allowed": "It is at the bench already and can't be cancelled here. Please call us.",
}
