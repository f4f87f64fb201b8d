"""One module per page: a log and its parameters in, one frozen answer with to_json() out."""
