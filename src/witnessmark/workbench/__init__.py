"""The local web app: recordings and cases seen, touched and proved in a browser.

    dropped file -> folder (kept) -> work (another process: working store, analysis, views) -> pages and pictures

The server holds no analysis in memory: everything a page shows is a file of the data folder or a row of the database of
cases, so it can be stopped and started at any moment.
"""
