"""What Ricasso is made of, where it runs: packages and fonts with their licences, as a list for people or as
CycloneDX (https://cyclonedx.org/docs/1.6/json/).

It is read from the metadata of what is installed, so it is true of this environment and not of another.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib import metadata
from types import MappingProxyType
from typing import Any

from packaging.requirements import Requirement

from layout.shop.shop import Shop

OURS = "ricasso"
UNKNOWN = "unknown"
#: Extras that may be installed beside what is needed.
_EXTRAS = ("", "tracing")
#: What older metadata says of a licence, and its SPDX name (https://spdx.org/licenses/).
_SPDX: Mapping[str, str] = MappingProxyType(
    {
        "mit": "MIT",
        "mit license": "MIT",
        "bsd": "BSD-3-Clause",
        "new bsd": "BSD-3-Clause",
        "bsd license": "BSD-3-Clause",
        "3-clause bsd license": "BSD-3-Clause",
        "bsd-3-clause": "BSD-3-Clause",
        "apache-2.0": "Apache-2.0",
        "apache license 2.0": "Apache-2.0",
        "apache software license": "Apache-2.0",
        "isc license": "ISC",
        "isc license (iscl)": "ISC",
        "mpl-2.0": "MPL-2.0",
        "psfl": "PSF-2.0",
        "python software foundation license": "PSF-2.0",
    }
)
#: Their metadata is silent; this is what the licence file in the package says.
_READ_BY_US: Mapping[str, str] = MappingProxyType({"resvg-py": "MIT"})


@dataclass(frozen=True, slots=True)
class Part:
    """A package or a font: `kind` is "library" or "font", `licence` an SPDX expression,
    "unknown", or a font's in the shop's own words."""

    name: str
    version: str
    licence: str
    kind: str
    needs: tuple[str, ...] = ()


def packages(names: Iterable[str] = (OURS,)) -> list[Part]:
    """All installed packages that these need, however far away, in alphabetical order; not these themselves.

    Raises PackageNotFoundError.
    """
    roots = {_canonical(name) for name in names}
    found: dict[str, Part] = {}
    waiting: list[tuple[str, tuple[str, ...]]] = [(name, _EXTRAS) for name in sorted(roots)]
    seen = set(waiting)
    while waiting:
        name, extras = waiting.pop()
        package = metadata.distribution(name)
        needed = list(_needed(package, extras))
        known = found.get(name)
        needs = {each for each, _ in needed} | set(known.needs if known else ())
        found[name] = Part(name, package.version, licence_of(package), "library", tuple(sorted(needs)))
        waiting += [each for each in needed if each not in seen]
        seen.update(needed)
    return [found[name] for name in sorted(found) if name not in roots]


def fonts(shop: Shop) -> list[Part]:
    """The fonts of a shop, in alphabetical order."""
    return [Part(font.name, "", font.licence, "font") for _, font in sorted(shop.fonts.items())]


def licence_of(package: metadata.Distribution) -> str:
    """A package's licence by SPDX, as its metadata has it."""
    about = package.metadata
    if "License-Expression" in about:
        return about["License-Expression"]
    classified = [
        line.rpartition(" :: ")[2].lower()
        for line in about.get_all("Classifier") or []
        if line.startswith("License ::")
    ]
    stated = (about.get_all("License") or [""])[0].strip().splitlines()
    for said in (*(line.lower() for line in stated[:1]), *classified):
        if said in _SPDX:
            return _SPDX[said]
    return _READ_BY_US.get(_canonical(about["Name"]), UNKNOWN)


def cyclonedx(parts: Iterable[Part], *, version: str, made_at: datetime) -> dict[str, Any]:
    """The parts as a CycloneDX 1.6 document."""
    listed = [part for part in parts if part.kind == "library"]
    root = _ref(OURS, version)
    refs = {part.name: _ref(part.name, part.version) for part in listed}
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {
            "timestamp": made_at.isoformat(timespec="seconds"),
            "component": {
                "type": "application",
                "bom-ref": root,
                "name": OURS,
                "version": version,
                "licenses": [{"license": {"id": "Apache-2.0"}}],
                "purl": root,
            },
        },
        "components": [
            {
                "type": "library",
                "bom-ref": refs[part.name],
                "name": part.name,
                "version": part.version,
                "purl": refs[part.name],
                **_licences(part.licence),
            }
            for part in listed
        ]
        + [
            {"type": "data", "bom-ref": f"font:{part.name}", "name": part.name, **_licences(part.licence)}
            for part in parts
            if part.kind == "font"
        ],
        "dependencies": [{"ref": root, "dependsOn": sorted(refs.values())}]
        + [
            {"ref": refs[part.name], "dependsOn": sorted(refs[name] for name in part.needs if name in refs)}
            for part in listed
        ],
    }


def _needed(package: metadata.Distribution, extras: Iterable[str]) -> Iterator[tuple[str, tuple[str, ...]]]:
    """What a package needs here: names, each with the extras that are asked of it."""
    for line in package.requires or []:
        wanted = Requirement(line)
        if wanted.marker is None:
            is_needed, is_extra = True, False
        else:
            is_needed = any(wanted.marker.evaluate({"extra": extra}) for extra in extras)
            is_extra = not wanted.marker.evaluate({"extra": ""})
        name = _canonical(wanted.name)
        if is_needed and not (is_extra and package.name == OURS and not _is_installed(name)):
            yield name, ("", *sorted(wanted.extras))


def _is_installed(name: str) -> bool:
    try:
        metadata.distribution(name)
    except metadata.PackageNotFoundError:
        return False
    return True


def _licences(licence: str) -> dict[str, Any]:
    if licence == UNKNOWN:
        return {}
    if re.search(r" (AND|OR|WITH) ", licence):
        return {"licenses": [{"expression": licence}]}
    if " " in licence:  # a font's, in the words of the shop's description
        return {"licenses": [{"license": {"name": licence}}]}
    return {"licenses": [{"license": {"id": licence}}]}


def _ref(name: str, version: str) -> str:
    return f"pkg:pypi/{name}@{version}"


def _canonical(name: str) -> str:
    """https://packaging.python.org/en/latest/specifications/name-normalization/"""
    return re.sub(r"[-_.]+", "-", name).lower()
