"""From a chosen form back to the project: rebuild sheet, re-record list, markers."""
