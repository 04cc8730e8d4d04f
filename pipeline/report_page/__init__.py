"""The morning page: what the QA records, tables and images of a run say, put into one self-contained HTML file.

``gather`` reads the output tree into plain dataclasses, ``bench`` and ``outlook`` compute comparative figures from
them, ``sentences`` turns numbers into prose, ``figures`` and ``pictures`` draw, ``page`` fills the template and
``summary`` writes the same run at a glance as JSON. Only ``gather`` and ``pictures`` read science files.
"""
