"""A second bench of seeded faults, written from published descriptions only.

Nothing in it was taken from the product: every right answer comes from PostgreSQL's documentation, a mailing
list, a paper or an article, named as `source`, and every cure is proven on a live server before the product is asked.

In come faults and traps (`bench.py` lists them); out come a confusion matrix, the shares that were right, and how well
the stated confidence was kept (`scoring.py`). Open `model.py` first.
"""
