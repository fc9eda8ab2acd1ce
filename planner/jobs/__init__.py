"""Heavy work done in the background: asked for, counted while it runs, its result kept for a while.

The row of a job is the truth, a Celery task only a bell. ``models`` keep it, ``services`` write it, ``kinds`` say what
each kind does, ``running`` does it, ``tasks`` are the bells.
"""
