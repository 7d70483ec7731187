"""Figures of the days and weeks that were: units, times, promises, scrap, seconds by step. Never of one
person: nothing here is read or counted by who did it.
"""
