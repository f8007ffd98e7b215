"""What is this file? Its headers, tags and chunks read into facts; nothing is decoded."""
