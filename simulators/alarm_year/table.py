def report(y): return ""
def as_json(y): return {}
