// La preparazione con montature non tedesche, e sotto un polo basso; parte di it.js.

/** @type {typeof import("./en-mounts.js").mounts} */
export const mounts = {
  ask: "Tipo di montatura",
  names: { german: "equatoriale tedesca, con contrappeso", fork: "forcella su testa equatoriale", tracker: "astroinseguitore su testa a sfera" },
  low: (alt) => `Il polo è basso, a ${alt}, e non occorre vederlo: girare il tubo in declinazione finché guarda in alto, a 35° o più, bloccare, lasciare.`,
  starLow: (alt) => `Ora è solo a ${alt} sopra l’orizzonte: foschia, alberi o colline possono coprirla.`, starDown: "Ora è sotto l’orizzonte.",
  fork: {
    balance: {
      head: "Equilibrio: declinazione, poi AR",
      order: ["Tutto montato come in uso. Qui non c’è barra: i pesi vanno lungo o accanto al tubo. Tubo orizzontale, poi verticale; poi la forcella sul fianco."],
      hold: "Tenere il tubo finché un freno è aperto: cade subito tra i bracci.",
    },
    start: {
      head: "Forcella verso il polo",
      lines: (wedge) => [`La piastra della testa si inclina di ${wedge} verso il polo. Le due viti a metà corsa.`, "Una forcella non va ribaltata al meridiano. Va bene ogni cielo aperto: girare il tubo in declinazione, bloccare, lasciare."],
      watch: "In due si solleva la forcella sulla testa; uno la tiene finché ogni vite è serrata. Poi girare i due assi piano a mano e guardare: la camera può toccare la base, le dita i bracci.",
      arms: "forcella", drawn: (alt, south) => `La montatura di lato: la forcella sulla sua testa sale di ${alt} verso il polo ${south ? "sud" : "nord"}, il tubo tra i bracci.`,
    },
  },
  tracker: {
    balance: { head: "Equilibrio: la camera sopra l’asse", order: ["Girare la testa a sfera perché il centro della camera stia vicino all’asse. Restare sotto il carico permesso dal costruttore."], hold: "Tenere la camera prima di aprire un freno o la testa a sfera: cade subito." },
    start: {
      head: "L’asse del motore verso il polo",
      lines: () => ["Con la sua scala o la livella di un telefono. Il carico sopra il treppiede, non di fianco.", "Va bene ogni cielo aperto: puntare con la testa a sfera e non toccarla più; tra le immagini girare il motore.", "Senza due viti, sceglierlo nella pagina: mostra quale stella mettere in quale punto dell’immagine."],
      watch: "Tenere la camera prima di allentare la testa a sfera. Vento e una mano sulla tracolla muovono un’attrezzatura così leggera: scattare con ritardo.",
      arms: "motore", drawn: (alt, south) => `Di lato: l’asse del motore sale di ${alt} verso il polo ${south ? "sud" : "nord"}, la camera sulla testa a sfera.`,
    },
  },
  steps: {
    between: (a) => `Due gambe verso ${a.south ? "sud" : "nord"} e una dalla parte opposta, perché la barra del contrappeso passi tra loro: così vicino all’equatore pende dove starebbe una gamba verso il polo. Una prolunga della colonna, o più peso su una barra più corta, dà spazio. Se il manuale del costruttore dice altro, vale quello.`,
    load: (a) => `Una gamba verso ${a.south ? "sud" : "nord"}, le altre equamente ai lati: il carico si sporge da quella parte. Se il manuale del costruttore dice altro, vale quello.`,
    scale: (a) => `Impostare la scala di latitudine su ${a.scale}, se possibile prima di mettere il carico.`,
    hinges: "La cerniera di molte montature finisce a 15 o 20 gradi (uso comune): guardare il manuale prima di partire. Se non basta, chiedere al costruttore un cuneo o una piastra. Non togliere fermi e non inclinare il treppiede: si ribalta.",
    keys: "Senza freni da aprire, tra le immagini girare con i tasti di direzione dell’ascensione retta: un puntamento per coordinate gira anche la declinazione.",
    balance: {
      fork: (asUsed, east) => ["Tenere il tubo con una mano ogni volta che si apre un freno: cade subito tra i bracci.", asUsed,
        "Prima la declinazione: non c’è barra su cui far scorrere un peso, quindi i pesi vanno sotto o lungo il tubo, sulla guida del costruttore. Freno di AR chiuso, tubo orizzontale. Aprire un poco il freno di declinazione tenendo il tubo. Scende il lato camera: peso verso il cielo, e viceversa.",
        "Anche col tubo dritto verso l’alto: se cade da un lato, c’è qualcosa sopra o sotto il suo centro. Metterne altrettanto di fronte.",
        "Poi l’ascensione retta: girare la forcella finché un braccio sta sopra l’altro, tenerla, aprire un poco il freno di AR. Se un lato scende: ciò che sta accanto al tubo ne vuole altrettanto dall’altra parte.",
        "Va bene quando ogni asse, a freno aperto, resta dove lo si mette in più posizioni.", east],
      tracker: (asUsed) => ["Tenere la camera con una mano ogni volta che la testa a sfera o il freno è aperto: cade subito.", asUsed,
        "Girare la testa a sfera perché il centro della camera stia vicino all’asse del motore, con obiettivo e corpo pari ai due lati del suo morsetto.",
        "Un obiettivo pesante vuole una barra con peso di traverso all’asse, se il costruttore ce l’ha. A freno poco aperto, tenendo la camera, far scorrere il peso finché tutto resta dove lo si mette.",
        "Se il motore non ha freno, restare ben sotto il carico permesso dal costruttore."],
    },
    start: {
      fork: (a, sky, keys) => [`La cerniera della testa orizzontale, la piastra inclinata verso ${a.south ? "sud" : "nord"}: ${a.wedge} dall’orizzontale, cioè 90 meno la latitudine. Così l’asse della forcella sta a ${a.scale}.`,
        "Mettere la forcella sulla testa in due e serrare ogni vite prima di lasciarla: non tenuta, si ribalta. Molte teste sporgono dal bordo del treppiede: una gamba sotto il carico.",
        "Girare i due assi piano a mano: vicino al polo la camera può toccare la base della forcella. Restare dove passa libera e bloccare la declinazione.",
        "Una forcella non va ribaltata al meridiano. Girarla da entrambe le parti del meridiano, poi tornare.", sky, keys,
        "Una testa con gioco si muove al serraggio: serrare, poi misurare ancora."],
      tracker: (a, keys) => [`L’asse del motore verso il ${a.south ? "sud" : "nord"} vero, a ${a.scale} sull’orizzonte, con la sua scala o la livella di un telefono.`,
        "Tenere la camera prima di allentare la testa a sfera: cade subito. Non più carico di quanto permette il costruttore, e sopra il treppiede, non di fianco.",
        "Tra le immagini girare il piatto del motore, o col suo freno, e lasciare la sfera superiore: porta la camera e deve muoversi con l’asse come un pezzo solo.",
        "Va bene ogni pezzo di cielo libero: puntare con la testa a sfera, a 35° di altezza o più, e lasciarla così.",
        "Dove non ci sono due viti, sceglierlo nella pagina: mostra quale stella mettere in quale punto dell’immagine, con ciò che muove l’attrezzatura.",
        "Vento e una mano sulla tracolla muovono un’attrezzatura così leggera: scattare ogni immagine con ritardo o a distanza.", keys],
    },
    forkLow: (a) => `Così vicino all’equatore la forcella è quasi coricata, tubo e bracci sporgono lontano verso ${a.south ? "sud" : "nord"}: una colonna, o un treppiede ben aperto con una gamba sotto, altrimenti si ribalta.`,
    falls: { fork: ["Forcella o tubo che cade", "Sollevarla in due e tenerla finché ogni vite è serrata. Un freno di declinazione aperto lascia cadere il tubo; togliere il carico prima di allentare la testa."], tracker: ["Camera che cade", "Sfera o freno aperti: cade. Tenerla prima; la tracolla attorno a qualcosa di fermo."] },
    fingers: { fork: "Fuori dalla cerniera della testa e da tra tubo e bracci, camera e base.", tracker: "Fuori dal motore, dal freno e dalle sfere." },
  },
};
