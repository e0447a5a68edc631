# Writes data/*.csv, the copies of public data sets that the reference fits and the tests
# read. Sources (package, original publication) are listed in README.md.
# Run from this folder:  Rscript make_data.R
# Changes made to a set: lower-case column names, coded levels given a letter in front
# ("period" 1 becomes "p1"), rows dropped by a stated rule, columns not used left out.
suppressPackageStartupMessages({
  library(lme4)
  library(nlme)
})
Sys.setlocale("LC_COLLATE", "C")
save_csv <- function(d, name) {
  write.csv(d, file.path("data", paste0(name, ".csv")), row.names = FALSE, quote = FALSE)
}
word <- function(x, front = "") paste0(front, trimws(as.character(x)))
get_data <- function(name, package) {
  e <- new.env()
  data(list = name, package = package, envir = e)
  as.data.frame(e[[name]])
}

d <- as.data.frame(nlme::Oats)
oats <- data.frame(block = word(d$Block), variety = word(d$Variety), nitro = d$nitro,
                   yield_ = d$yield)
save_csv(oats, "oats")
# nine rows dropped, no cell left empty, no block left whole
save_csv(oats[-c(2, 9, 15, 23, 24, 38, 50, 61, 70), ], "oats_unbalanced")

d <- lme4::Penicillin
save_csv(data.frame(plate = word(d$plate), sample = word(d$sample), diameter = d$diameter),
         "penicillin")
d <- lme4::Pastes
save_csv(data.frame(batch = word(d$batch), cask = word(d$cask), strength = d$strength), "pastes")
d <- lme4::sleepstudy
save_csv(data.frame(subject = word(d$Subject, "s"), days = d$Days, reaction = d$Reaction),
         "sleepstudy")
d <- lme4::Dyestuff
save_csv(data.frame(batch = word(d$Batch), yield_ = d$Yield), "dyestuff")
d <- lme4::Dyestuff2
save_csv(data.frame(batch = word(d$Batch), yield_ = d$Yield), "dyestuff2")
d <- as.data.frame(nlme::Machines)
machines <- data.frame(worker = word(d$Worker, "w"), machine = word(d$Machine), score = d$score)
save_csv(machines, "machines")
# rows dropped so that the cells hold one to three records
save_csv(machines[-c(2, 3, 6, 8, 12, 19, 20, 27, 33, 44), ], "machines_unbalanced")
d <- as.data.frame(nlme::ergoStool)
save_csv(data.frame(subject = word(d$Subject, "s"), type_ = word(d$Type), effort = d$effort),
         "ergostool")
# wheat variety trial in rows and columns: field rows by latitude, columns by longitude.
# Kept: the first 14 varieties in alphabetical order, less 6 plots, so blocks are incomplete.
d <- as.data.frame(nlme::Wheat2)
d <- d[d$variety %in% sort(as.character(unique(d$variety)))[1:14], ]
wheat <- data.frame(block = word(d$Block, "b"),
                    row_ = word(as.integer(round(d$latitude / 4.3)), "r"),
                    column_ = word(as.integer(round(d$longitude / 1.2)), "c"),
                    variety = word(d$variety), yield_ = d$yield)
save_csv(wheat[-c(3, 11, 19, 30, 42, 55), ], "wheat_unbalanced")
# balanced incomplete blocks: pairs (blocks of two) within replicates
d <- as.data.frame(nlme::Meat)
save_csv(data.frame(replicate_ = word(d$Block), pair = word(d$Pair),
                    storage = word(d$Storage, "d"), score = d$score), "meat")
# factorial with the three-factor interaction confounded with blocks of four
d <- datasets::npk
save_csv(data.frame(block = word(d$block, "b"), n = word(d$N, "n"), p = word(d$P, "p"),
                    k = word(d$K, "k"), yield_ = d$yield), "npk")
d <- as.data.frame(nlme::RatPupWeight)
pups <- data.frame(litter = word(d$Litter, "l"), treatment = word(d$Treatment),
                   sex = word(d$sex), litter_size = d$Lsize, weight_g = d$weight)
save_csv(pups, "ratpup")
# the same as means of litter and sex, with the number of pups as the weight
m <- aggregate(cbind(weight_g = weight_g, pups = 1) ~ litter + treatment + sex, pups, sum)
m$weight_g <- signif(m$weight_g / m$pups, 8)
save_csv(m[order(m$litter, m$sex), ], "ratpup_means")
# students rating lecturers: one department, service lectures or not, crossed and sparse
d <- lme4::InstEval
d <- d[d$dept == "8", ]
d <- d[d$d %in% names(which(table(d$d) >= 15)), ]
d <- d[d$s %in% names(which(table(d$s) >= 4)), ]
save_csv(data.frame(student = word(d$s, "s"), lecturer = word(d$d, "l"),
                    service = word(d$service, "v"), y = d$y), "insteval_part")
d <- lme4::cake
save_csv(data.frame(replicate_ = word(d$replicate, "r"), recipe = word(d$recipe),
                    temperature = word(d$temperature, "t"), angle = d$angle), "cake")
d <- lattice::barley
d <- data.frame(site = gsub(" ", "", word(d$site)), year = word(d$year, "y"),
                variety = gsub("[. ]", "", word(d$variety)), yield_ = d$yield)
# one row in seven dropped: varieties no longer meet in all environments
save_csv(d[-seq(4, 120, by = 7), ], "barley_unbalanced")
d <- as.data.frame(nlme::Orthodont)
save_csv(data.frame(subject = word(d$Subject), sex = word(d$Sex), age = d$age,
                    distance = d$distance), "orthodont")
d <- as.data.frame(nlme::Pixel)
save_csv(data.frame(dog = word(d$Dog, "dog"), side = word(d$Side), day = d$day, day2 = d$day^2,
                    pixel = d$pixel), "pixel")

# counts and proportions
d <- lme4::grouseticks
save_csv(data.frame(record = word(d$INDEX, "i"), brood = word(d$BROOD, "b"),
                    location = word(d$LOCATION, "l"), year = word(d$YEAR, "y"),
                    height100 = signif(d$cHEIGHT / 100, 8), ticks = d$TICKS), "grouseticks")
d <- get_data("Owls", "glmmTMB")
save_csv(data.frame(nest = gsub("[^A-Za-z]", "", iconv(word(d$Nest), to = "ASCII", sub = "")),
                    food = word(d$FoodTreatment), parent = word(d$SexParent),
                    log_brood = d$logBroodSize, calls = d$SiblingNegotiation), "owls")
d <- get_data("Salamanders", "glmmTMB")
save_csv(data.frame(site = gsub("-", "", word(d$site)), mined = word(d$mined),
                    species = gsub("[^A-Za-z]", "_", word(d$spp)),
                    sample = word(d$sample, "v"), cover = d$cover, count = d$count),
         "salamanders")
d <- lme4::cbpp
rows <- rep(seq_len(nrow(d)), d$size)
case <- unlist(lapply(seq_len(nrow(d)), function(i) {
  rep(c(1, 0), c(d$incidence[i], d$size[i] - d$incidence[i]))
}))
save_csv(data.frame(herd = word(d$herd, "h")[rows], period = word(d$period, "p")[rows],
                    case = case), "cbpp")
d <- get_data("epil", "MASS")
# the eight-week baseline and the two-week periods, the length in weeks as exposure
base <- unique(d[c("subject", "trt", "base", "lage")])
long <- rbind(
  data.frame(subject = word(d$subject, "s"), treatment = word(d$trt), time = "after",
             after = 1, log_weeks = log(2), lage = d$lage, seizures = d$y),
  data.frame(subject = word(base$subject, "s"), treatment = word(base$trt), time = "before",
             after = 0, log_weeks = log(8), lage = base$lage, seizures = base$base))
save_csv(long[order(long$subject), ], "epil")
d <- lme4::Arabidopsis
save_csv(data.frame(population = gsub("[.]", "", word(d$popu, "p")), genotype = word(d$gen, "g"),
                    rack = word(d$rack, "k"), nutrient = word(d$nutrient, "n"),
                    amd = word(d$amd), status = gsub("[.]", "", word(d$status)),
                    fruits = d$total.fruits), "arabidopsis")
d <- get_data("bacteria", "MASS")
save_csv(data.frame(child = word(d$ID), treatment = gsub("[^a-z]", "", word(d$trt)),
                    late = as.integer(d$week > 2), present = as.integer(d$y == "y")), "bacteria")
