"""What turns the values of a lesson into bytes: handout, papers, cards, clips, web page."""
