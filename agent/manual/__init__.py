"""The chapters of the user's manual, filled with what the program knows, as blocks that every form can write.

Loaded only by `explain`. Shows nothing and knows no form.
"""
