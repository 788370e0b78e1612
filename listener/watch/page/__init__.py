"""The watch page: what the controller looks at, served to a browser by `listener watch`.

guard.py decides who may ask, app.py what can be asked, feed.py sends what happens, actions.py takes what people do,
history.py reads the journal, serve.py runs it all beside the station. The page itself is in static/ and templates/.
"""
