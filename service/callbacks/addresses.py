"""Which addresses of the network a callback may be sent to: public ones, judged after the name is resolved.

A store chooses the URL, so the service must not become its way into the shop's own network
(OWASP API Security Top 10:2023, API7,
https://owasp.org/API-Security/editions/2023/en/0xa7-server-side-request-forgery/). Special ranges:
https://www.iana.org/assignments/iana-ipv4-special-registry/ and iana-ipv6-special-registry.
"""

from __future__ import annotations

import ipaddress
import socket
from ipaddress import IPv4Address, IPv6Address
from queue import Empty, SimpleQueue
from threading import Thread
from typing import Any

from service.records.errors import Refusal

Address = IPv4Address | IPv6Address

# Ranges that `ipaddress.is_global` of Python 3.11 lets through although they lead to, or may be translated
# to, something that is not public.
_ALSO_REFUSED = tuple(
    ipaddress.ip_network(network)
    for network in (
        "192.0.0.0/24",  # IETF protocol assignments, RFC 6890
        "192.88.99.0/24",  # deprecated 6to4 relay anycast, RFC 7526
        "::/96",  # IPv4-compatible, RFC 4291
        "::ffff:0:0:0/96",  # IPv4-translated, RFC 2765
        "64:ff9b::/96",  # NAT64, RFC 6052
        "64:ff9b:1::/48",  # local NAT64, RFC 8215
        "2001::/32",  # Teredo, RFC 4380
        "2002::/16",  # 6to4, RFC 3056
        "3fff::/20",  # documentation, RFC 9637
        "5f00::/16",  # segment identifiers of SRv6, RFC 9602
        "fec0::/10",  # site-local, RFC 3879
    )
)


class AddressRefused(Refusal):
    """The name leads to an address that callbacks may not go to."""


def is_public(address: Address) -> bool:
    """
    >>> is_public(ipaddress.ip_address("10.0.0.1"))
    False
    """
    if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
        return is_public(address.ipv4_mapped)
    if not address.is_global or address.is_multicast:
        return False
    return not any(address in network for network in _ALSO_REFUSED if network.version == address.version)


def is_loopback(address: Address) -> bool:
    """This machine, also when written as an IPv4 address inside an IPv6 one."""
    if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
        return address.ipv4_mapped.is_loopback
    return address.is_loopback


def resolve(host: str, port: int, *, within_s: float = 5.0, loopback_allowed: bool = False) -> str:
    """The address to connect to. Raises AddressRefused unless every address of the name is allowed, and for a
    name that is not looked up in time.

    One bad address among good ones refuses the name: which of them is used must not be left to chance.
    """
    addresses = [
        ipaddress.ip_address(str(entry[4][0]).split("%")[0]) for entry in _looked_up(host, port, within_s)
    ]
    for address in addresses:
        if not (is_public(address) or (loopback_allowed and is_loopback(address))):
            raise AddressRefused("the host name leads to an address that is not public")
    if not addresses:
        raise AddressRefused("the host name has no address")
    return str(addresses[0])


def _looked_up(host: str, port: int, within_s: float) -> list[Any]:
    """The resolver's answer. It takes no time limit, so it is asked from a thread that is abandoned when the
    time is over; the resolver's own limit ends it."""
    answers: SimpleQueue[list[Any] | Exception] = SimpleQueue()

    def look_up() -> None:
        try:
            answers.put(socket.getaddrinfo(host, port, type=socket.SOCK_STREAM))
        except (OSError, UnicodeError) as error:
            answers.put(error)

    Thread(target=look_up, name="ricasso-look-up", daemon=True).start()
    try:
        answer = answers.get(timeout=max(0.0, within_s))
    except Empty:
        raise AddressRefused("the host name could not be looked up in time") from None
    if isinstance(answer, Exception):
        raise AddressRefused("the host name can't be resolved") from answer
    return answer
