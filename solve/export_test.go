package solve

const RaceEnabled = raceEnabled
