"""The rooms joined: what needs clips, cameras and passes together."""
