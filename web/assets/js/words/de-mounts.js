// Der Aufbau bei anderen als deutschen Montierungen und bei tief stehendem Pol; Teil von de.js.

/** @type {typeof import("./en-mounts.js").mounts} */
export const mounts = {
  ask: "Art der Montierung",
  names: { german: "deutsche Montierung mit Gegengewicht", fork: "Gabel auf Polhöhenwiege", tracker: "Startracker auf Kugelkopf" },
  low: (alt) => `Der Pol steht tief, bei ${alt}, und muss nicht zu sehen sein: den Tubus in Deklination schwenken, bis er deutlich nach oben zeigt, 35° oder höher, klemmen, lassen.`,
  starLow: (alt) => `Er steht jetzt nur ${alt} über dem Horizont: Dunst, Bäume oder Berge können ihn verdecken.`, starDown: "Er steht jetzt unter dem Horizont.",
  fork: {
    balance: {
      head: "Balance: erst Deklination, dann RA",
      order: ["Alles wie im Betrieb. Hier gibt es keine Stange: Gewichte kommen längs oder neben den Tubus. Tubus waagrecht, dann senkrecht; dann die Gabel auf die Seite."],
      hold: "Tubus halten, solange eine Klemme offen ist: er schlägt sofort zwischen die Arme.",
    },
    start: {
      head: "Gabel zum Pol",
      lines: (wedge) => [`Die Platte der Wiege neigt sich um ${wedge} zum Pol. Beide Schrauben in der Mitte ihres Verstellwegs.`, "Eine Gabel braucht keinen Umschlag. Jeder offene Himmel taugt: den Tubus in Deklination schwenken, klemmen, lassen."],
      watch: "Die Gabel zu zweit auf die Wiege heben; einer hält sie, bis jede Schraube fest ist. Dann beide Achsen langsam von Hand drehen und hinsehen: die Kamera kann den Fuß treffen, Finger die Arme.",
      arms: "Gabel", drawn: (alt, south) => `Die Montierung von der Seite: die Gabel auf der Wiege steigt ${alt} zum ${south ? "Süd" : "Nord"}pol, der Tubus zwischen den Armen.`,
    },
  },
  tracker: {
    balance: { head: "Balance: Kamera über der Achse", order: ["Den Kugelkopf so drehen, dass die Mitte der Kamera nahe der Antriebsachse liegt. Unter der Last bleiben, die der Hersteller erlaubt."], hold: "Die Kamera halten, bevor Klemme oder Kugelkopf gelöst wird: sie fällt sofort." },
    start: {
      head: "Antriebsachse zum Pol",
      lines: () => ["Nach der Skala oder der Wasserwaage eines Telefons. Die Last über dem Stativ, nicht daneben.", "Jeder offene Himmel taugt: die Kamera mit dem Kugelkopf richten und diesen lassen; zwischen den Aufnahmen den Antrieb drehen.", "Ohne zwei Schrauben dies auf der Seite wählen: sie zeigt, welcher Stern wohin im Bild soll."],
      watch: "Die Kamera halten, bevor der Kugelkopf gelöst wird. Wind und eine Hand am Gurt bewegen so leichtes Gerät: mit Verzögerung auslösen.",
      arms: "Antrieb", drawn: (alt, south) => `Das Gerät von der Seite: die Antriebsachse steigt ${alt} zum ${south ? "Süd" : "Nord"}pol, die Kamera auf dem Kugelkopf.`,
    },
  },
  steps: {
    between: (a) => `Zwei Beine nach ${a.south ? "Süden" : "Norden"} und eines davon weg, damit die Gegengewichtsstange dazwischen schwingt: so nahe am Äquator hängt sie, wo ein Bein zum Pol stünde. Eine Säulenverlängerung oder mehr Gewicht auf kürzerer Stange schafft Platz. Sagt die Anleitung des Herstellers anderes, gilt sie.`,
    load: (a) => `Ein Bein nach ${a.south ? "Süden" : "Norden"}, die anderen gleichmäßig zu den Seiten: die Last hängt zu dieser Seite über. Sagt die Anleitung des Herstellers anderes, gilt sie.`,
    scale: (a) => `Die Polhöhenskala auf ${a.scale} stellen, möglichst bevor die Last darauf sitzt.`,
    hinges: "Die Gelenke vieler Montierungen enden bei 15 bis 20 Grad (übliche Praxis): vorher in der Anleitung nachsehen. Reicht es nicht, den Hersteller nach einem Keil oder einer Platte fragen. Keinen Anschlag entfernen und nicht stattdessen das Stativ neigen: es kippt.",
    keys: "Ohne Klemmen zwischen den Aufnahmen mit den Richtungstasten der Rektaszension drehen: ein Schwenk auf Koordinaten dreht auch die Deklination.",
    balance: {
      fork: (asUsed, east) => ["Den Tubus mit einer Hand halten, sooft eine Klemme gelöst wird: er schlägt sofort zwischen die Arme.", asUsed,
        "Zuerst Deklination: es gibt keine Stange, auf der ein Gewicht gleiten könnte, also kommen Gewichte unter oder längs an den Tubus, auf die Schiene des Herstellers. RA-Klemme fest, Tubus waagrecht. Deklinationsklemme etwas lösen, Tubus halten. Sinkt das Kameraende: Gewicht zum Himmelsende, sonst umgekehrt.",
        "Auch mit dem Tubus senkrecht nach oben: fällt er zu einer Seite, sitzt etwas über oder unter seiner Mitte. Gegenüber ebenso viel anbringen.",
        "Dann Rektaszension: die Gabel drehen, bis ein Arm über dem anderen steht, halten, RA-Klemme etwas lösen. Sinkt eine Seite: was neben dem Tubus sitzt, braucht auf der anderen Seite ebenso viel.",
        "Gut ist es, wenn jede Achse bei offener Klemme in mehreren Stellungen stehen bleibt.", east],
      tracker: (asUsed) => ["Die Kamera mit einer Hand halten, sooft Kugelkopf oder Klemme offen ist: sie fällt sofort.", asUsed,
        "Den Kugelkopf so drehen, dass die Mitte der Kamera nahe der Antriebsachse liegt und Objektiv und Kamera zu beiden Seiten seiner Klemme gleich schwer sind.",
        "Ein schweres Objektiv braucht eine Stange mit Gewicht quer zur Achse, wo der Hersteller eine hat. Klemme etwas lösen, Kamera halten: das Gewicht schieben, bis alles stehen bleibt.",
        "Wo der Antrieb keine Klemme hat, weit unter der Last bleiben, die der Hersteller erlaubt."],
    },
    start: {
      fork: (a, sky, keys) => [`Das Gelenk der Wiege waagrecht, ihre obere Platte nach ${a.south ? "Süden" : "Norden"} geneigt: ${a.wedge} von der Waagrechten, das sind 90 weniger die Breite. Dann steht die Gabelachse bei ${a.scale}.`,
        "Die Gabel zu zweit auf die Wiege setzen und jede Schraube anziehen, bevor man loslässt: ungehalten kippt sie. Viele Wiegen ragen über den Rand des Stativs: ein Bein unter die Last.",
        "Beide Achsen langsam von Hand drehen: beim Pol kann die Kamera den Fuß der Gabel treffen. Dort bleiben, wo sie frei schwingt, und die Deklination klemmen.",
        "Eine Gabel braucht keinen Umschlag. Auf beide Seiten des Meridians drehen und zurück.", sky, keys,
        "Eine Wiege mit Spiel bewegt sich beim Klemmen: klemmen, dann noch einmal messen."],
      tracker: (a, keys) => [`Die Antriebsachse nach wahr ${a.south ? "Süden" : "Norden"}, ${a.scale} über dem Horizont, nach ihrer Skala oder der Wasserwaage eines Telefons.`,
        "Die Kamera halten, bevor der Kugelkopf gelöst wird: sie fällt sofort. Nicht mehr daran hängen, als der Hersteller erlaubt, und die Last über dem Stativ, nicht daneben.",
        "Zwischen den Aufnahmen den Teller des Antriebs drehen oder seine Klemme nutzen und den oberen Kugelkopf lassen: er trägt die Kamera und soll mit der Achse ein Stück sein.",
        "Jedes freie Stück Himmel taugt für die Aufnahmen: die Kamera mit dem Kugelkopf richten, 35° hoch oder höher, und so lassen.",
        "Wo es keine zwei Schrauben gibt, dies auf der Seite wählen: sie zeigt, welcher Stern wohin im Bild soll, womit auch immer sich das Gerät bewegen lässt.",
        "Wind und eine Hand am Gurt bewegen so leichtes Gerät: jede Aufnahme mit Verzögerung oder aus der Ferne auslösen.", keys],
    },
    forkLow: (a) => `So nahe am Äquator liegt die Gabel fast waagrecht, und Tubus und Arme hängen weit nach ${a.south ? "Süden" : "Norden"} über: eine Säule oder ein weit gespreiztes Stativ mit einem Bein darunter, sonst kippt es.`,
    falls: { fork: ["Gabel oder Tubus fällt", "Zu zweit heben, halten, bis jede Schraube fest ist. Eine offene Deklinationsklemme lässt den Tubus schlagen; Last weg, bevor die Wiege gelöst wird."], tracker: ["Kamera fällt", "Kugelkopf oder Klemme offen: sie fällt. Erst halten; den Gurt um etwas Festes."] },
    fingers: { fork: "Aus dem Gelenk der Wiege und zwischen Tubus und Armen, Kamera und Fuß heraushalten.", tracker: "Aus Antrieb, Klemme und Kugelköpfen heraushalten." },
  },
};
