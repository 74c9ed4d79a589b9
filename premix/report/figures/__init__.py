"""The pictures of the page, a file a subject; `table` lists them."""
