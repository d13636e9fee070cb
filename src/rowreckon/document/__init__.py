"""What every part speaks: the audit, its joins and its trials as frozen typed models, the machine-readable contract.

Nothing comes in and nothing goes out: this is the ground floor, which imports no other part of the package.  Open
`audit.py` first.
"""
