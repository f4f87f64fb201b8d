"""The monthly report: runs the notebooks, renders their pages, writes results.json and moves the whole into place."""
