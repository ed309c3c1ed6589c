"""The exposure rule and its words: pure functions and frozen data.

No clock, no file, no network: whoever calls brings readings and requirement, and gets a decision with its reasons.
Integers only, in milliseconds and millidegrees Celsius.
"""
