package main

func drawDelays() string { return "" }

const delayText = ""
