"""Triage of sampling sessions: recorded takes go in, a queue ranked by doubt comes out.

Start reading at ``triage/pipeline.py``.
"""

__version__ = "0.1.0"
