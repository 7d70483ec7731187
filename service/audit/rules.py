"""The rules, each with what it says of a row that breaks it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from sqlalchemy.orm import Session

from service.audit import (
    assembly_rows,
    box_rows,
    burn_rows,
    description_rows,
    history_rows,
    load_damage_rows,
    packing_rows,
    photo_rows,
    remake_rows,
    stock_rows,
    told_rows,
    unit_rows,
    upkeep_rows,
)
from service.audit.damage_rows import Found


@dataclass(frozen=True, slots=True)
class Rule:
    """`says` names the parts of a row that `look` gives."""

    code: str
    look: Callable[[Session], Iterable[Found]]
    says: str


RULES = (
    Rule("burned_twice", burn_rows.burned_again, "unit J{job}: {face} was burned in L{first} and again in L{load_id}"),
    Rule("burned_after_its_end", burn_rows.burned_after_its_end, "unit J{job} was {end}, then burned in L{load_id}"),
    Rule("started_without_file", burn_rows.started_without_file, "load L{load_id}, turn {turn}, slot {slot}: burned from a file that was never offered"),
    Rule("started_elsewhere", burn_rows.started_elsewhere, "load L{load_id}, turn {turn}, slot {slot}: what was burned did not sit there"),
    Rule("burned_without_start", burn_rows.burned_without_start, "load L{load_id}, turn {turn}, slot {slot}: burned, without a start"),
    Rule("face_without_burn", burn_rows.faces_without_burn, "unit J{job}: {face} counts as done and was never burned"),
    Rule("passed_unfinished", burn_rows.passed_unfinished, "unit J{job} is {state} without its {face}"),
    Rule("open_burn", burn_rows.open_without_burning, "load L{load_id} is {state}, and the burn in turn {turn}, slot {slot} has no end"),
    Rule("burning_without_start", burn_rows.burning_without_start, "load L{load_id} burns without a start"),
    Rule("begun_untrue", burn_rows.begun_is_untrue, "load L{load_id} is {state}: whether it began does not agree with its burns"),
    Rule("units_missing", unit_rows.units_missing, "order O{order}, line {line}: {living} units of {quantity}"),
    Rule("order_without_lines", unit_rows.orders_without_lines, "order O{order} has no line"),
    Rule("not_replaced", unit_rows.not_replaced, "unit J{job} was scrapped and has no replacement"),
    Rule("of_another_order", unit_rows.of_another_order, "unit J{job} belongs to a line that is not of order O{order}, or of another product"),
    Rule("mark_changed", unit_rows.marks_changed, "frozen mark {mark} is no longer what was approved"),
    Rule("erased_in_part", unit_rows.erased_in_part, "order O{order} was erased, and words of it are left"),
    Rule("mark_missing", unit_rows.marks_missing, "unit J{job} has no frozen mark for {face}"),
    Rule("answer_without_order", unit_rows.answers_without_order, "{client} was told that order O{order} was taken; there is none"),
    Rule("reserved_differs", box_rows.reserved_differs, "bin {bin}, {sku}: {reserved} reserved, {jobs} units have their box there"),
    Rule("count_impossible", box_rows.counts_impossible, "bin {bin}, {sku}: {boxed} boxed, {reserved} of them reserved"),
    Rule("count_unlike_history", stock_rows.count_unlike_history, "bin {bin}, {sku}: {boxed} boxed, its history comes to {history}"),
    Rule("stock_change_torn", stock_rows.changes_torn, "bin {bin}, {sku}, change {change}: {stood} and {units} are not {boxed}"),
    Rule("moved_one_way", stock_rows.moved_one_way, "{sku}: of what went from bin {bin} to bin {to}, {units} units too many or too few came there"),
    Rule("without_unit", box_rows.without_unit, "unit J{job} is {state} without a box"),
    Rule("unit_in_two_places", box_rows.unit_in_two_places, "unit J{job} is {state}, and its box stands in bin {bin} as well"),
    Rule("gathered_unreleased", packing_rows.gathered_unreleased, "unit J{job} is {state}, and packing has its box"),
    Rule("handed_over_incomplete", packing_rows.handed_over_incomplete, "order O{order} was handed over without unit J{job}, which is {state}"),
    Rule("hand_over_unrecorded", packing_rows.hand_over_unrecorded, "order O{order}: {what}"),
    Rule("remake_unlike", remake_rows.unlike, "remake R{remake}: unit J{made} does not stand for J{job}, which was released"),
    Rule("made_twice", remake_rows.made_twice, "{units} units are made for J{job}"),
    Rule("marked_in_stock", remake_rows.marked_in_stock, "remake R{remake}: J{job} went into a bin with its mark on it"),
    Rule("work_order_does_not_add_up", assembly_rows.work_orders_do_not_add_up, "work order W{work} is {state}: {units} units of {quantity}, {open} of them not ended"),
    Rule("stocked_unlike_bin", assembly_rows.stocked_unlike_bin, "unit U{unit} is {state}, and was counted {times} times in bin {bin}"),
    Rule("photo_of_nothing", photo_rows.of_nothing, "photo PH{photo}: unit J{job} has no such mark, or it was never burned so"),
    Rule("claim_of_ended_load", load_damage_rows.claims_of_ended_loads, "load L{load_id} is {state} and still holds unit J{job}"),
    Rule("claim_differs", load_damage_rows.without_claim, "unit J{job} is {state}, which does not agree with the loads that hold it"),
    Rule("held_twice", load_damage_rows.held_twice, "unit J{job} is held by {loads} loads"),
    Rule("slot_without_claim", load_damage_rows.slots_without_claim, "load L{load_id}, slot {slot}: unit J{job} was never of this load"),
    Rule("slot_unlike_load", load_damage_rows.slots_unlike_their_load, "load L{load_id} is {load_state}, its slot {slot} {state}"),
    Rule("turn_out_of_range", load_damage_rows.turns_out_of_range, "load L{load_id} has {turns} turns and something in turn {turn}"),
    Rule("copy_in_two_loads", load_damage_rows.copies_in_two_loads, "plate {copy} is in {loads} loads at once"),
    Rule("lot_does_not_add_up", load_damage_rows.lots_do_not_add_up, "lot LOT{lot}: {total} blades of {quantity}"),
    Rule("meter_short", upkeep_rows.meter_short, "station {station}: its meter says {meter} s, {burned} s of burns are on record"),
    Rule("routines_torn", upkeep_rows.routines_torn, "station {station}, routine check {routine}: {entries} entries, the last is number {last}"),
    Rule("supply_does_not_add_up", upkeep_rows.supplies_do_not_add_up, "{supply}: {remaining} left, its changes come to {changes}"),
    Rule("state_not_in_history", history_rows.state_not_in_history, "{subject} {number} is {state}; its history says {history}"),
    Rule("history_torn", history_rows.history_torn, "{subject} {number}: the move from {came_from} to {to} does not begin where the last one ended"),
    Rule("move_not_allowed", history_rows.moves_not_allowed, "{subject} {number} went from {came_from} to {to}, which no act does"),
    Rule("not_told", told_rows.not_told, "{what}, and no {event} says so"),
    Rule("not_on_its_way", told_rows.not_on_its_way, "event {event} ({type}) was never put on its way to callback CB{callback}"),
    Rule("version_missing", told_rows.versions_missing, "{what}{number}: the shop's description {version:.12} is not on record"),
    Rule("description_differs", description_rows.differing, "the shop's description {number} is no longer what was put in force"),
    Rule("description_missing", description_rows.missing, "the shop's description {number} is in force, and {before} is not on record"),
    Rule("points_nowhere", told_rows.points_nowhere, "row {row} of {table} names a row of {parent} that is not there"),
)  # fmt: skip  # a rule a line: code, query, sentence
