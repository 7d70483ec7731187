"""What the store is told: events stored with their cause, delivered signed, until received.

A store gives an address; whatever happens to its orders is posted there, signed as the Standard Webhooks
specification says. The event is a row of the transaction that caused it, so nothing is told that was rolled
back and nothing is lost in a crash. Nobody trusts the address: it is resolved and judged before anything is
sent.
"""
