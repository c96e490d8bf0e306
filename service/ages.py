"""Ages of renewal as people say them: about so many km, as exactly as what is known of them allows.

The API keeps the figures as they were worked out.
"""

from __future__ import annotations

from analytics.rough import rough, span_of

__all__ = ["rough", "span_of"]
