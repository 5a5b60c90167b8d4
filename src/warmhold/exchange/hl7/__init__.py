"""HL7 v2: observation reports (ORU^R01) in and out, over a line and in files.

Source of the shapes: HL7 v2.3 to 2.8, chapters 2 and 7, and IHE PCD-01 (memory, and
constructed examples); both directions are checked against independent libraries.
"""
