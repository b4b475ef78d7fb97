"""Triage of sampling sessions: recorded takes in, a queue ranked by doubt out.

Start reading at ``triage/pipeline.py``.
"""

__version__ = "0.1.0"
