"""Sheets: what is handed out on paper or as a page that stands alone; from the store, through no audio."""
