"""Assembly: work orders, each unit inspected before it is boxed and counted where it is made.

Every unit of a work order has a label from the beginning (`U17`), so that a scan says which unit it is and a
second scan of the same one changes nothing. What fails goes to rework with its reason, comes back by scan and
is inspected anew, or is given up. A unit that passed is put into a bin by scan, and only then may be sold.
"""
