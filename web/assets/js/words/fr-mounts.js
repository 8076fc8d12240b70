// La mise en place d’autres montures que les allemandes, et sous un pôle bas ; partie de fr.js.

/** @type {typeof import("./en-mounts.js").mounts} */
export const mounts = {
  ask: "Type de monture",
  names: { german: "équatoriale allemande, à contrepoids", fork: "fourche sur table équatoriale", tracker: "monture de photo sur rotule" },
  low: (alt) => `Le pôle est bas, à ${alt}, et n’a pas besoin d’être vu : tourner le tube en déclinaison jusqu’à viser haut, 35° ou plus, bloquer, laisser.`,
  starLow: (alt) => `Elle n’est qu’à ${alt} au-dessus de l’horizon : brume, arbres ou collines peuvent la cacher.`, starDown: "Elle est maintenant sous l’horizon.",
  fork: {
    balance: {
      head: "Équilibrage : déclinaison, puis AD",
      order: ["Tout monté comme en usage. Pas de barre ici : les poids vont le long ou à côté du tube. Tube horizontal, puis vertical ; puis la fourche sur le côté."],
      hold: "Tenir le tube dès qu’un frein est desserré : il tombe aussitôt entre les bras.",
    },
    start: {
      head: "Fourche vers le pôle",
      lines: (wedge) => [`La platine de la table penche de ${wedge} vers le pôle. Les deux vis au milieu de leur course.`, "Une fourche n’a pas à se retourner. Tout ciel dégagé convient : tourner le tube en déclinaison, bloquer, laisser."],
      watch: "À deux pour poser la fourche sur la table ; l’un la tient tant que chaque vis n’est pas serrée. Puis tourner les deux axes lentement à la main et regarder : la caméra peut toucher le socle, les doigts les bras.",
      arms: "fourche", drawn: (alt, south) => `La monture de côté : la fourche sur sa table monte de ${alt} vers le pôle ${south ? "sud" : "nord"}, le tube entre ses bras.`,
    },
  },
  tracker: {
    balance: { head: "Équilibrage : la caméra sur l’axe", order: ["Tourner la rotule pour que le milieu de la caméra soit près de l’axe. Rester sous la charge permise par le fabricant."], hold: "Tenir la caméra avant d’ouvrir un frein ou la rotule : elle tombe aussitôt." },
    start: {
      head: "L’axe de l’entraînement vers le pôle",
      lines: () => ["Avec son échelle ou le niveau d’un téléphone. La charge au-dessus du trépied, pas à côté.", "Tout ciel dégagé convient : viser avec la rotule et n’y plus toucher ; entre les images, tourner l’entraînement.", "Sans deux vis, le choisir sur la page : elle montre quelle étoile mettre où dans l’image."],
      watch: "Tenir la caméra avant de desserrer la rotule. Le vent ou une main sur la courroie bougent un matériel si léger : déclencher avec retard.",
      arms: "entraînement", drawn: (alt, south) => `De côté : l’axe de l’entraînement monte de ${alt} vers le pôle ${south ? "sud" : "nord"}, la caméra sur sa rotule.`,
    },
  },
  steps: {
    between: (a) => `Deux pieds vers le ${a.south ? "sud" : "nord"} et un à l’opposé, pour que la barre du contrepoids passe entre eux : si près de l’équateur elle pend là où serait un pied vers le pôle. Une rallonge de colonne, ou plus de poids sur une barre plus courte, donne de la place. Si la notice du fabricant dit autre chose, la suivre.`,
    load: (a) => `Un pied vers le ${a.south ? "sud" : "nord"}, les autres également de part et d’autre : la charge penche de ce côté. Si la notice du fabricant dit autre chose, la suivre.`,
    scale: (a) => `Régler l’échelle de latitude sur ${a.scale}, si possible avant de poser la charge.`,
    hinges: "La charnière de bien des montures s’arrête à 15 ou 20 degrés (usage courant) : voir la notice avant de partir. Si elle ne suffit pas, demander au fabricant un coin ou une platine. N’ôter aucune butée, et ne pas pencher le trépied : il bascule.",
    keys: "Sans freins à desserrer, tourner entre les images avec les touches de direction d’ascension droite : un pointage par coordonnées tourne aussi la déclinaison.",
    balance: {
      fork: (asUsed, east) => ["Tenir le tube d’une main chaque fois qu’un frein est desserré : il tombe aussitôt entre les bras.", asUsed,
        "D’abord la déclinaison : pas de barre où glisser un poids, ils vont donc sous le tube ou le long de lui, sur le rail du fabricant. Frein d’AD serré, tube horizontal. Desserrer un peu le frein de déclinaison en tenant le tube. Le côté caméra descend : poids vers le ciel, et inversement.",
        "Aussi tube pointé droit en haut : s’il tombe d’un côté, quelque chose est au-dessus ou au-dessous de son milieu. En mettre autant à l’opposé.",
        "Puis l’ascension droite : tourner la fourche jusqu’à ce qu’un bras soit au-dessus de l’autre, la tenir, desserrer un peu le frein d’AD. Si un côté descend : ce qui est à côté du tube en veut autant de l’autre côté.",
        "C’est bon quand chaque axe, frein ouvert, reste où on le met, en plusieurs positions.", east],
      tracker: (asUsed) => ["Tenir la caméra d’une main dès que la rotule ou le frein est ouvert : elle tombe aussitôt.", asUsed,
        "Tourner la rotule pour que le milieu de la caméra soit près de l’axe de l’entraînement, objectif et boîtier en équilibre de part et d’autre de sa mâchoire.",
        "Un objectif lourd veut une barre portant un poids en travers de l’axe, si le fabricant en a une. Frein un peu ouvert, caméra tenue : glisser le poids jusqu’à ce que tout reste où on le met.",
        "Si l’entraînement n’a pas de frein, rester bien sous la charge permise par le fabricant."],
    },
    start: {
      fork: (a, sky, keys) => [`La charnière de la table horizontale, sa platine penchée vers le ${a.south ? "sud" : "nord"} : ${a.wedge} de l’horizontale, soit 90 moins la latitude. L’axe de la fourche est alors à ${a.scale}.`,
        "Poser la fourche à deux sur la table et serrer chaque vis avant de lâcher : non tenue, elle bascule. Bien des tables dépassent le bord du trépied : un pied sous la charge.",
        "Tourner lentement les deux axes à la main : près du pôle la caméra peut toucher le socle de la fourche. Rester où elle passe, et bloquer la déclinaison.",
        "Une fourche n’a pas à se retourner. La tourner des deux côtés du méridien, puis revenir.", sky, keys,
        "Une table qui a du jeu bouge au serrage : serrer, puis mesurer encore."],
      tracker: (a, keys) => [`L’axe de l’entraînement vers le ${a.south ? "sud" : "nord"} vrai, à ${a.scale} au-dessus de l’horizon, avec son échelle ou le niveau d’un téléphone.`,
        "Tenir la caméra avant de desserrer la rotule : elle tombe aussitôt. Pas plus de charge que le fabricant n’en permet, et au-dessus du trépied, pas à côté.",
        "Entre les images, tourner le plateau de l’entraînement, ou par son frein, et laisser la rotule du haut : elle porte la caméra et doit faire corps avec l’axe.",
        "Tout coin de ciel dégagé convient aux images : viser avec la rotule, à 35° de hauteur ou plus, et n’y plus toucher.",
        "Sans deux vis, le choisir sur la page : elle montre quelle étoile mettre où dans l’image, par tout ce qui fait bouger le matériel.",
        "Le vent ou une main sur la courroie bougent un matériel si léger : déclencher chaque image avec retard ou à distance.", keys],
    },
    forkLow: (a) => `Si près de l’équateur la fourche est presque couchée, tube et bras loin en porte-à-faux vers le ${a.south ? "sud" : "nord"} : une colonne, ou un trépied bien écarté avec un pied dessous, sinon il bascule.`,
    falls: { fork: ["Fourche ou tube qui tombe", "Soulever à deux, tenir tant que chaque vis n’est pas serrée. Un frein de déclinaison ouvert laisse tomber le tube ; ôter la charge avant de desserrer la table."], tracker: ["Caméra qui tombe", "Rotule ou frein ouvert, elle tombe. La tenir d’abord ; la courroie autour de quelque chose de stable."] },
    fingers: { fork: "Hors de la charnière de la table, et d’entre tube et bras, caméra et socle.", tracker: "Hors de l’entraînement, du frein et des rotules." },
  },
};
