"""What turns the values of a lesson into bytes: papers, cards, questions, clips, web page."""
